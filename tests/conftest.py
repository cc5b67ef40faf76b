"""Helpers that several rooms of tests share are importable by their plain names."""

import sys
from pathlib import Path

from hypothesis import settings

sys.path.insert(0, str(Path(__file__).parent))

settings.register_profile("soakd", deadline=None)  # how long an example takes is the machine's affair
settings.load_profile("soakd")
