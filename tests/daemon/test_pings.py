"""The service manager's watchdog hears the guard's own loop while a run goes on, else the daemon's (sd_notify(3))."""

import os
import signal
import socket
import struct

import pytest
from daemon_bench import LONG
from soak_bench import living, wait_until

pytestmark = pytest.mark.soak
CREDENTIALS = struct.Struct("3i")
"""struct ucred of unix(7): process, user, group."""


class Manager:
    """Hears datagrams, and from which process each one is."""

    def __init__(self, folder):
        self.address = folder / "notify"
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_PASSCRED, 1)
        self._socket.bind(str(self.address))

    def hear(self, wait_s):
        """Process and lines; None when nothing is said."""
        self._socket.settimeout(wait_s)
        try:
            data, extra, _, _ = self._socket.recvmsg(4096, socket.CMSG_SPACE(CREDENTIALS.size))
        except (TimeoutError, BlockingIOError):
            return None
        return CREDENTIALS.unpack(extra[0][2])[0], data.decode().splitlines()

    def ping(self, wait_s=30.0):
        """The process that pinged next."""
        while (heard := self.hear(wait_s)) is not None:
            if "WATCHDOG=1" in heard[1]:
                return heard[0]
        return None

    def close(self):
        self._socket.close()


@pytest.fixture
def manager(tmp_path):
    made = Manager(tmp_path)
    yield made
    made.close()


def test_pings_come_from_the_guard_s_loop_and_end_with_it(daemon, manager):
    daemon.start(environment={"NOTIFY_SOCKET": str(manager.address), "WATCHDOG_USEC": "30000000"})
    assert manager.ping() == daemon.process.pid
    daemon.ready().add(LONG)
    daemon.wait_for_load()
    (guard,) = daemon.role("soakd.service.engine_process")
    wait_until(lambda: manager.ping() == guard, "the guard never pinged", 30)
    assert [manager.ping() for _ in range(3)] == [guard] * 3
    os.kill(guard, signal.SIGSTOP)
    while manager.hear(0.2) is not None and living([guard]):
        pass  # what had been said before
    while living([guard]):
        heard = manager.hear(0.1)
        assert heard is None or "WATCHDOG=1" not in heard[1] or not living([guard]), "somebody pinged for a hung guard"
    assert manager.ping() == daemon.process.pid
    wait_until(lambda: daemon.outcomes() == [("Long", "inconclusive")], "no verdict", 30)
    assert "the limiter took the load away" in daemon.rows("SELECT reason FROM verdict")[0][0]
    assert daemon.stop() == 0
