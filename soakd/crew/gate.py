"""The gate: one worker's load pattern on the machine's monotonic clock, with edges to a few microseconds.

In a rest the worker sleeps until shortly before the load comes back, then spins. What passed while it waited, of the
planned load and of the core's time, is kept apart: it does not count as checked.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final, NamedTuple

from soakd.crew.slots import WorkerState
from soakd.crew.usage import Usage
from soakd.model.pace import ROUND_S

if TYPE_CHECKING:
    from collections.abc import Callable

    from soakd.model.pattern import Cycle
    from soakd.workloads.base import Beat
    from soakd.workloads.spin import Spin

SHORTEST_ROUND_S: Final = 0.03
_LONG_REST_NS: Final = round(ROUND_S * 1e9)
"""A round does not span a rest of this length or more: what it has computed so far is checked first."""
_NAP_NS: Final = 20_000_000
_LEAD_NS: Final = 200_000
"""Sleep ends this much early; waking takes most of it where the core slept deeply."""
_LEAST_NS: Final = 1000
"""No kernel is called for less."""
_SHORTEST_NS: Final = round(SHORTEST_ROUND_S * 1e9)


class Spent(NamedTuple):
    """Totals since the stage began, without what passed in waits."""

    load_ns: int
    """Planned load."""
    core_ns: int
    """Time on the core."""
    queued_ns: int
    """Time in which another process had the core."""

    def since(self, before: Spent) -> tuple[int, int]:
        """Load less what others took of it, and time on the core within it, in µs; the kernel counts them one after
        the other and at its own moments, so each bounds the next.
        """
        load_ns, core_ns, queued_ns = (now - then for now, then in zip(self, before, strict=True))
        core_ns = min(load_ns, core_ns)
        return max(core_ns, load_ns - queued_ns) // 1000, core_ns // 1000


class PatternGate:
    """Made when the stage begins; all times inside count from its start."""

    def __init__(
        self, cycle: Cycle, start_ns: int, end_ns: int, *, spin: Spin, beat: Beat, enter: Callable[[WorkerState], None]
    ) -> None:
        self._cycle = cycle
        self._start_ns = start_ns
        self._length_ns = end_ns - start_ns
        self._spin = spin
        self._beat = beat
        self._enter = enter
        self._missed_ns = 0
        self._rise_ns = 0
        self._round_from_ns = 0
        self._usage = Usage()
        self._idle_core_ns = 0
        self._idle_queued_ns = 0

    def spent(self) -> Spent:
        """What the worker has spent on work so far."""
        used = self._usage.now()
        return Spent(
            load_ns=self._planned_ns(self._now_ns()) - self._missed_ns,
            core_ns=used.core_ns - self._idle_core_ns,
            queued_ns=used.queued_ns - self._idle_queued_ns,
        )

    def moment_us(self) -> int:
        """Now, from the stage's start."""
        return self._now_ns() // 1000

    def room_s(self) -> float:
        """Planned load that the next round may take, to the next long rest or the stage's end."""
        now_ns = self._now_ns()
        done_ns = self._planned_ns(now_ns)
        span = self._cycle.at(now_ns)
        if not span.works:
            span = self._cycle.at(span.until_ns)
        rest = self._cycle.at(span.until_ns)
        if not rest.works and rest.until_ns - span.until_ns >= _LONG_REST_NS:
            room_ns = self._planned_ns(span.until_ns) - done_ns
            if room_ns >= _SHORTEST_NS:
                return room_ns / 1e9
        return (self._planned_ns(self._length_ns) - done_ns) / 1e9

    def begin_round(self) -> None:
        """From here on a long rest ends the round, once it has done enough to be one."""
        self._round_from_ns = self._planned_ns(self._now_ns()) - self._missed_ns

    def wait(self) -> float:
        """Seconds that the worker may work now; rests first where the pattern says so. 0: the round is to end."""
        while True:
            now_ns = self._now_ns()
            span = self._cycle.at(now_ns)
            open_ns = min(span.until_ns, self._length_ns) - now_ns
            if span.works and open_ns >= _LEAST_NS:
                return open_ns / 1e9
            rise_ns = self._cycle.at(span.until_ns).until_ns if span.works else span.until_ns
            worked_ns = self._planned_ns(now_ns) - self._missed_ns - self._round_from_ns
            if rise_ns >= self._length_ns or (rise_ns - now_ns >= _LONG_REST_NS and worked_ns >= _SHORTEST_NS):
                return 0.0
            open_ns = self._rest(now_ns, rise_ns)
            if open_ns >= _LEAST_NS:
                return open_ns / 1e9

    def start(self) -> None:
        """Spin to the rise of the load; at once when it is up already."""
        self._spin.until(self._rise_ns)

    def rest_out(self) -> None:
        """Sleep to the stage's end."""
        self._enter(WorkerState.RESTING)
        self._sleep(self._length_ns)

    def _rest(self, now_ns: int, rise_ns: int) -> int:
        """Sleep until shortly before the load comes back; how much of it is then to come."""
        fall_ns = min(self._cycle.at(rise_ns).until_ns, self._length_ns)
        self._missed_ns += self._planned_ns(rise_ns) - self._planned_ns(now_ns)
        before = self._usage.now()
        self._enter(WorkerState.RESTING)
        self._sleep(rise_ns - _LEAD_NS)
        self._enter(WorkerState.WORKING)
        after = self._usage.now()
        self._idle_core_ns += after.core_ns - before.core_ns
        self._idle_queued_ns += after.queued_ns - before.queued_ns
        awake_ns = self._now_ns()
        if awake_ns < rise_ns:
            self._idle_core_ns += rise_ns - awake_ns
            self._rise_ns = self._start_ns + rise_ns
            return fall_ns - rise_ns
        self._missed_ns += self._planned_ns(awake_ns) - self._planned_ns(rise_ns)
        return fall_ns - awake_ns

    def _sleep(self, until_ns: int) -> None:
        while (left_ns := until_ns - self._now_ns()) > 0:
            time.sleep(min(left_ns, _NAP_NS) / 1e9)
            self._beat()

    def _planned_ns(self, now_ns: int) -> int:
        return self._cycle.load_ns(min(now_ns, self._length_ns))

    def _now_ns(self) -> int:
        return time.monotonic_ns() - self._start_ns
