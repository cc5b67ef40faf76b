"""Time that passes only when somebody waits: what is to happen, in order, and the ways to wait for it."""

from __future__ import annotations

import heapq
import queue
from itertools import count
from typing import TYPE_CHECKING, TypeVar

from soakd.model.channels import Batch

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from soakd.ports import SensorSource

Message = TypeVar("Message")
_MIDNIGHT_S = 1_767_225_600.0
"""Wall time at which every rehearsal begins, so that each is like the last: 1 January 2026."""


class Timeline:
    """A clock, and what happens on it. Nothing on it is ever late."""

    def __init__(self) -> None:
        self._now_s = 0.0
        self._order = count()
        self._ahead: list[tuple[float, int, Callable[[], object]]] = []

    def wall(self) -> float:
        return _MIDNIGHT_S + self._now_s

    def monotonic(self) -> float:
        return self._now_s

    def suspended(self) -> float:
        return 0.0

    def sleep(self, duration_s: float) -> None:
        """Everything that is to happen meanwhile happens."""
        until_s = self._now_s + max(0.0, duration_s)
        while self.go_on(until_s):
            pass

    def at(self, moment_s: float, action: Callable[[], object]) -> None:
        """What is due already happens next."""
        heapq.heappush(self._ahead, (max(moment_s, self._now_s), next(self._order), action))

    def every(self, first_s: float, interval_s: float, action: Callable[[], object]) -> None:
        """For ever, on a grid that does not drift; an action that returns False ends it."""
        turns = count(1)

        def again() -> None:
            if action() is not False:
                self.at(first_s + next(turns) * interval_s, again)

        self.at(first_s, again)

    def go_on(self, until_s: float) -> bool:
        """To the next thing that happens; to `until_s`, and False, where nothing does before."""
        if not self._ahead or self._ahead[0][0] > until_s:
            self._now_s = until_s
            return False
        self._now_s, _, action = heapq.heappop(self._ahead)
        action()
        return True


class VirtualInbox(queue.SimpleQueue[Message]):
    """A queue whose reader waits on the timeline, and is let go whenever anything happens on it."""

    def __init__(self, timeline: Timeline) -> None:
        self._timeline = timeline

    def get(self, block: bool = True, timeout: float | None = None) -> Message:  # noqa: FBT001, FBT002 - as a queue has it
        """Waits for what happens next, `timeout` at the longest. Raises queue.Empty."""
        if block and self.empty():
            self._timeline.go_on(self._timeline.monotonic() + (timeout or 0.0))
        return super().get(block=False)


class VirtualSampler:
    """Reads every source on a grid that begins at the start, as the real one does, in no time."""

    def __init__(self, sources: Sequence[SensorSource], *, tick_s: float, timeline: Timeline) -> None:
        self._sources = sources
        self._tick_s = tick_s
        self._timeline = timeline
        self._stopped = False

    def start(self, emit: Callable[[Batch], None]) -> None:
        def read_all() -> bool:
            for source in () if self._stopped else self._sources:
                values, gaps = source.read()
                emit(Batch(source=source.name, at_s=self._timeline.monotonic(), values=values, gaps=gaps))
            return not self._stopped

        self._timeline.every(self._timeline.monotonic(), self._tick_s, read_all)

    def stop(self) -> None:
        self._stopped = True
