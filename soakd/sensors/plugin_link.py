"""One process of a plugin and the two pipes to it: asks without waiting, listens for as long as it is told.

Nothing that comes out of the process is trusted: a line has a longest length, and what was read is never more than one.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import subprocess
import sys
import time
import weakref
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

HOST: Final = (sys.executable, "-P", "-m", "soakd.service.plugin_process")
LONGEST_LINE: Final = 256 * 1024
_GONE_DEADLINE_S: Final = 0.5
_CHUNK: Final = 16 * 1024


class Lost(Exception):  # noqa: N818 - an end, not an error of ours
    """The process cannot be asked any more; why."""


class Link:
    """Starts the process at once; it is killed when the link is closed or nobody holds it any more."""

    def __init__(self, first: bytes, command: Sequence[str] = HOST) -> None:
        """`first`: the line that it is to begin with. Raises Lost."""
        try:
            self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
                [*command, str(os.getpid())],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                bufsize=0,
                cwd="/",
                start_new_session=True,
            )
        except OSError as error:
            raise Lost(f"its process cannot be started: {error.strerror}") from error
        self._pending = b""
        self._close = weakref.finalize(self, _end, self._process)
        self._ears = select.poll()
        self._ears.register(_of(self._process.stdout), select.POLLIN)
        for pipe in (self._process.stdin, self._process.stdout):
            os.set_blocking(_of(pipe), False)
        self.ask(first)

    @property
    def pid(self) -> int:
        return self._process.pid

    @property
    def gone(self) -> bool:
        """After `close`: whether the kernel has let go of it; one that waits for a driver may stay for a while."""
        return self._process.poll() is not None

    def ask(self, line: bytes) -> None:
        """Never waits. Raises Lost where it does not even take a line."""
        try:
            taken = os.write(_of(self._process.stdin), line)
        except BlockingIOError:
            taken = 0
        except OSError:
            raise Lost(self._how_it_ended()) from None
        if taken != len(line):
            raise Lost("it does not take what it is asked")

    def line(self, until_s: float) -> bytes | None:
        """The next line, or None when there was none by then (time.perf_counter). Raises Lost."""
        while True:
            line, newline, rest = self._pending.partition(b"\n")
            if newline:
                self._pending = rest
                return line
            if len(self._pending) > LONGEST_LINE:
                raise Lost(f"it said more than {LONGEST_LINE // 1024} KiB in one answer")
            if not self._ears.poll(max(0.0, until_s - time.perf_counter()) * 1e3):
                return None
            chunk = os.read(_of(self._process.stdout), _CHUNK)
            if not chunk:
                raise Lost(self._how_it_ended())
            self._pending += chunk

    def close(self) -> None:
        self._close()

    def _how_it_ended(self) -> str:
        """And with it goes what it has started."""
        by_itself = _ends_within(self._process.pid, _GONE_DEADLINE_S)
        self.close()
        code = self._process.returncode
        if code is None or not by_itself:
            return "it closed its end of the pipe"
        if code >= 0:
            return f"its process ended with code {code}"
        name = signal.Signals(-code).name if -code in set(signal.Signals) else "unknown"
        return f"its process died of signal {-code} ({name})"


def _of(pipe: object) -> int:
    return pipe.fileno()  # type: ignore[attr-defined, no-any-return]


def _ends_within(pid: int, deadline_s: float) -> bool:
    """Looks only: as long as nobody has waited for the process, its number stands for no other one."""
    watch = select.poll()
    descriptor = os.pidfd_open(pid)
    try:
        watch.register(descriptor, select.POLLIN)
        return bool(watch.poll(deadline_s * 1e3))
    finally:
        os.close(descriptor)


def _end(process: subprocess.Popen[bytes]) -> None:
    """The process and whatever it has started."""
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(_GONE_DEADLINE_S)
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            pipe.close()
