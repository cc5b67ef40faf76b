import socket

import pytest
from daemon_bench import DaemonBench


@pytest.fixture
def daemon(tmp_path):
    made = DaemonBench(tmp_path)
    yield made
    made.close()


@pytest.fixture
def free_tcp_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]
