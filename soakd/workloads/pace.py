"""Slices: how a round fills its time with short kernel calls and beats between them.

The number of steps is a result, not an input: the closed forms take any count, so no calibration has to be trusted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from time import perf_counter_ns
from typing import TYPE_CHECKING, Final

from soakd.workloads.base import OPEN

if TYPE_CHECKING:
    from soakd.workloads.base import Beat, Gate

SLICE_S: Final = 0.012
"""Aim for one kernel call; short enough that one at half the expected speed still beats in time."""
_GROWTH: Final = 4.0
_TRUSTED_S: Final = 0.00005
_EDGE_S: Final = 0.00002
_NEARLY: Final = 0.8
"""A slice that ends with the gate stops short of it, and a short last one goes up to it: the pace is never exact."""
_CALL_S: Final = 2e-6
"""About what it takes from asking the gate to the kernel's first instruction."""
_NS: Final = 1e9

Advance = Callable[[int], int]
"""Run up to so many steps; returns how many were run (fewer at the end of a pass)."""


@dataclass(slots=True, kw_only=True)
class Pace:
    """Steps per second as last seen, carried from round to round."""

    steps_per_s: float
    """A low guess at first: the first slice is then short, and growth per slice is bounded."""

    def steps_for(self, seconds: float) -> int:
        """Steps that should take about `seconds`; at least one."""
        return max(1, int(self.steps_per_s * seconds))

    def learn(self, steps: int, elapsed_s: float) -> None:
        """Take the newest slice's speed as the next one's, bounded in growth.

        A short slice is mostly call overhead: it may raise the estimate but not lower it.
        """
        seen = steps / max(elapsed_s, 1e-9)
        if elapsed_s >= _TRUSTED_S or seen > self.steps_per_s:
            self.steps_per_s = min(seen, self.steps_per_s * _GROWTH)


def fill(
    target_s: float, pace: Pace, advance: Advance, beat: Beat, halfway: Callable[[], None], gate: Gate = OPEN
) -> tuple[int, float]:
    """Call `advance` in slices until `target_s` is spent; `halfway` is called once, between two slices near the middle.

    The gate is asked before each slice, and the last one before it closes is cut to end there; it may end the round
    early. Returns the steps run and the seconds spent in `advance`.
    """
    done, work_s, passed_half = 0, 0.0, False
    while work_s < target_s or not passed_half:
        if not passed_half and done and work_s >= target_s / 2:
            halfway()
            passed_half = True
        left_s = (target_s if passed_half else target_s / 2) - work_s
        open_s = gate.wait()
        if open_s <= 0.0:
            break
        open_s = open_s * _NEARLY if open_s > _EDGE_S else open_s - _CALL_S
        steps = pace.steps_for(min(SLICE_S, max(left_s, 0.0), open_s))
        gate.start()
        begun_ns = perf_counter_ns()
        ran = advance(steps)
        elapsed_s = (perf_counter_ns() - begun_ns) / _NS
        pace.learn(ran, elapsed_s)
        done, work_s = done + ran, work_s + elapsed_s
        beat()
    if not passed_half:
        halfway()
    return done, work_s
