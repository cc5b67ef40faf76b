"""A stop asked for by a signal reaches the guard even while this process waits for a drive or a terminal.

The interpreter's C-level handler writes the signal's number into `guard_end`, whatever the Python code is doing; the
guard's process inherits that pipe and acts on it by itself. Python's own handler only notes the signal for our loop.
"""

from __future__ import annotations

import os
import signal
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from types import TracebackType

STOP_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGTSTP)
"""SIGTSTP too: a soak that is put to sleep behind a prompt would leave its load running."""


class SignalPipes:
    """While it is open, stop signals end the load and can be read from `read_end`. Main thread only.

    A signal that was ignored when we started stays ignored, so that nohup(1) keeps its meaning.
    """

    def __enter__(self) -> Self:
        self.read_end, self._write_end = os.pipe()
        self.guard_end, self._guard_write_end = os.pipe()
        for end in (self._write_end, self._guard_write_end):
            os.set_blocking(end, False)
        caught = [number for number in STOP_SIGNALS if signal.getsignal(number) is not signal.SIG_IGN]
        self._wakeup_before = signal.set_wakeup_fd(self._guard_write_end, warn_on_full_buffer=False)
        self._before = {number: signal.signal(number, self._note) for number in caught}
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        signal.set_wakeup_fd(self._wakeup_before)
        for number, handler in self._before.items():
            signal.signal(number, handler)
        for end in (self.read_end, self._write_end, self.guard_end, self._guard_write_end):
            os.close(end)

    def take(self) -> signal.Signals:
        return signal.Signals(os.read(self.read_end, 1)[0])

    def _note(self, number: int, _: object) -> None:
        try:
            os.write(self._write_end, bytes([number]))
        except BlockingIOError:
            return
