"""Helpers that several rooms of tests share are importable by their plain names."""

import os
import sys
from pathlib import Path

from hypothesis import settings

sys.path.insert(0, str(Path(__file__).parent))

settings.register_profile("soakd", deadline=None)  # how long an example takes is the machine's affair
settings.load_profile("soakd")


def pytest_collection_modifyitems(config, items):
    """Tests marked `thorough` run when SOAKD_THOROUGH is set; otherwise the last line says how many were left out."""
    if "SOAKD_THOROUGH" not in os.environ:
        left_out = [item for item in items if item.get_closest_marker("thorough")]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if not item.get_closest_marker("thorough")]
