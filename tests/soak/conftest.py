import pytest
from soak_bench import Bench


@pytest.fixture
def bench(tmp_path):
    made = Bench(tmp_path)
    yield made
    made.close()
