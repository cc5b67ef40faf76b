import pytest
from daemon_bench import DaemonBench


@pytest.fixture
def daemon(tmp_path):
    made = DaemonBench(tmp_path)
    yield made
    made.close()
