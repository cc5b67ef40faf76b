"""Signals become bytes in a pipe: the handler only notes, the loop decides."""

from __future__ import annotations

import os
import signal
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from types import TracebackType

STOP_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class SignalPipe:
    """While it is open, the given signals can be read from `read_end`. Main thread only."""

    def __init__(self, numbers: tuple[signal.Signals, ...] = STOP_SIGNALS) -> None:
        self._numbers = numbers

    def __enter__(self) -> Self:
        self.read_end, self._write_end = os.pipe()
        os.set_blocking(self._write_end, False)
        self._before = {number: signal.signal(number, self._note) for number in self._numbers}
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
        os.close(self.read_end)
        os.close(self._write_end)

    def take(self) -> signal.Signals:
        return signal.Signals(os.read(self.read_end, 1)[0])

    def _note(self, number: int, _: object) -> None:
        os.write(self._write_end, bytes([number]))
