"""The daemon's end of the API's process: starts it, feeds it, hears what it asks, starts it again when it dies.

The API may hang or die as it likes: nothing here waits for it, and what it does not take in time it does not get.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from soakd.clock import Clock
    from soakd.model.configuration import Configuration
    from soakd.service.home import Home

_NO_SECRETS: Final[dict[str, Any]] = {
    "api": True,
    "zone": True,
    "roles": True,
    "guard": {"watchdog"},
    "plugins": {"__all__": {"name", "kind", "source"}},
}
"""What the API is told of the configuration; the rest may hold some."""
_FIRST_WAIT_S = 1.0
_LONGEST_WAIT_S = 60.0
_SETTLED_S = 120.0
_MOST_WAITING_BYTES = 4 * 2**20


class ApiLink:
    """Make it in the main thread: the API dies with the thread that started it."""

    def __init__(self, home: Home, configuration: Configuration, clock: Clock) -> None:
        self.listening = False
        """It has been heard to answer; stays so."""
        self._home = home
        self._configuration = configuration
        self._clock = clock
        self._socket: socket.socket | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._pending = b""
        self._waiting = b""
        self._wait_s = _FIRST_WAIT_S
        self._started_s = 0.0
        self._again_s = 0.0

    @property
    def alive(self) -> bool:
        return self._socket is not None

    def fileno(self) -> int:
        return self._socket.fileno() if self._socket else -1

    def start(self) -> None:
        self._socket, theirs = socket.socketpair()
        self._socket.settimeout(0.0)
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            [sys.executable, "-P", "-m", "soakd.service.web_process", str(os.getpid()), str(theirs.fileno())],
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
            start_new_session=True,
        )
        theirs.close()
        self._started_s = self._clock.monotonic()
        self._pending = self._waiting = b""
        configuration = self._configuration.model_dump(mode="json", include=_NO_SECRETS)
        self.push(start={"configuration": configuration, "home": str(self._home.folder)})

    def start_again_if_due(self) -> bool:
        """After a death: at once the first time, later and later if it keeps dying."""
        if self._socket is not None or self._clock.monotonic() < self._again_s:
            return False
        self.start()
        return True

    def push(self, **line: Any) -> None:
        """One line, if the API is there and not too far behind."""
        if self._socket is None:
            return
        if len(self._waiting) < _MOST_WAITING_BYTES:
            self._waiting += json.dumps(line, ensure_ascii=False).encode() + b"\n"
        self.flush()

    def flush(self) -> None:
        """Send what it takes now; the rest waits for the next time."""
        try:
            while self._socket is not None and self._waiting:
                self._waiting = self._waiting[self._socket.send(self._waiting) :]
        except BlockingIOError:
            return
        except OSError:
            self._lose()

    def take(self) -> list[dict[str, Any]]:
        """What it asks. Its end of the line means that it is gone."""
        if self._socket is None:
            return []
        try:
            chunk = self._socket.recv(65_536)
        except BlockingIOError:
            return []
        except OSError:
            chunk = b""
        if not chunk:
            self._lose()
            return []
        *lines, self._pending = (self._pending + chunk).split(b"\n")
        said = [json.loads(line) for line in lines]
        self.listening = self.listening or any("listening" in line for line in said)
        return [line for line in said if "verb" in line]

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(3.0)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _lose(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        if self._process is not None:
            self._process.kill()
            self._process.wait()
        now_s = self._clock.monotonic()
        settled = now_s - self._started_s > _SETTLED_S
        self._wait_s = _FIRST_WAIT_S if settled else min(2 * self._wait_s, _LONGEST_WAIT_S)
        self._again_s = now_s + self._wait_s
