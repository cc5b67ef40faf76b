"""One API for the tests of a module that only look, and a fresh one for those that change or break something."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from fake_daemon import FakeDaemon, free_port

from soakd.clock import SystemClock
from soakd.service.home import Home
from soakd.service.tokens import TokenFile


@pytest.fixture
def start(tmp_path):
    """Starts the real process with any configuration; all are stopped in the end."""
    running = []

    def begin(*, home=tmp_path / "state", wait=True, **options):
        daemon = FakeDaemon(home, **options).start()
        running.append(daemon)
        return daemon.wait() if wait else daemon

    yield begin
    for daemon in running:
        if daemon.process.returncode is None:
            daemon.stop()


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    """On the Unix socket and on TCP, with one token of each role."""
    home = tmp_path_factory.mktemp("web") / "state"
    home.mkdir(mode=0o700)
    plenty = {"per_s": 1e6, "burst": 1e6}
    limits = {"reads": plenty, "writes": plenty, "strangers": plenty}
    daemon = FakeDaemon(home, limits=limits, tcp=f"127.0.0.1:{free_port()}").start().wait()
    tokens = TokenFile(Home(home), SystemClock())
    daemon.tokens = {role: tokens.add(role, role) for role in ("look", "operate")}
    yield daemon
    assert daemon.stop() == "", "nothing that a caller does is worth a line in the log"
