"""Leaf module: the one door to time, and its fake.

Wall time is for records only. Durations and deadlines use the monotonic clock, which stands still while the machine
is suspended; the boottime clock does not, so their difference grows by exactly the time spent suspended
(clock_gettime(2)).
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Where a component gets its time from; seconds throughout."""

    def wall(self) -> float:
        """Seconds since the Unix epoch, for records."""

    def monotonic(self) -> float:
        """Seconds on a clock that never steps; the origin means nothing."""

    def suspended(self) -> float:
        """Seconds this machine has spent suspended since it booted."""

    def sleep(self, duration_s: float) -> None:
        """Wait; returns at once for a duration that is not positive."""


class SystemClock:
    """The machine's own clocks."""

    def wall(self) -> float:
        return time.time()  # noqa: TID251 - this is the door

    def monotonic(self) -> float:
        return time.monotonic()  # noqa: TID251 - this is the door

    def suspended(self) -> float:
        if not hasattr(time, "CLOCK_BOOTTIME"):
            return 0.0
        return time.clock_gettime(time.CLOCK_BOOTTIME) - time.clock_gettime(time.CLOCK_MONOTONIC)

    def sleep(self, duration_s: float) -> None:
        if duration_s > 0:
            time.sleep(duration_s)


class FakeClock:
    """A clock that only moves when told to; sleeping moves it."""

    def __init__(self, *, wall: float = 1_767_225_600.0, monotonic: float = 1_000.0) -> None:
        self._wall = wall
        self._monotonic = monotonic
        self._suspended = 0.0

    def wall(self) -> float:
        return self._wall

    def monotonic(self) -> float:
        return self._monotonic

    def suspended(self) -> float:
        return self._suspended

    def sleep(self, duration_s: float) -> None:
        self.advance(max(0.0, duration_s))

    def advance(self, duration_s: float) -> None:
        """Let time pass with the machine awake."""
        self._wall += duration_s
        self._monotonic += duration_s

    def suspend(self, duration_s: float) -> None:
        """Let time pass with the machine asleep: the monotonic clock stands still."""
        self._wall += duration_s
        self._suspended += duration_s


def utc_text(wall_s: float) -> str:
    """Seconds since the epoch as RFC 3339 text in UTC with milliseconds."""
    return datetime.fromtimestamp(wall_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
