"""What the calling process has had of its core, and how long it had to wait for it."""

from __future__ import annotations

import os
import time
from typing import NamedTuple

_COUNTS = "/proc/self/schedstat"


class Used(NamedTuple):
    """Totals since the process began."""

    core_ns: int
    """On the core."""
    queued_ns: int
    """Ready to run while another process ran instead; 0 where the kernel does not count it."""


class Usage:
    """Made in the process that it is about; cheap enough (a few microseconds) to be asked at every pulse."""

    def __init__(self) -> None:
        try:
            self._counts: int | None = os.open(_COUNTS, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            self._counts = None

    def now(self) -> Used:
        return Used(core_ns=time.thread_time_ns(), queued_ns=self._queued_ns())

    def _queued_ns(self) -> int:
        """Second field of /proc/PID/schedstat (Documentation/scheduler/sched-stats.rst)."""
        if self._counts is None:
            return 0
        try:
            return int(os.pread(self._counts, 128, 0).split()[1])
        except (OSError, IndexError, ValueError):
            return 0
