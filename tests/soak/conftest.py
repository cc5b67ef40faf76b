import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from soak_bench import Bench


@pytest.fixture
def bench(tmp_path):
    made = Bench(tmp_path)
    yield made
    made.close()
