"""Drills on the virtual bench: what would do harm for real, or take too long."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from soakd.config.files import load_plan
from soakd.model.virtual import Fault, VirtualBench
from soakd.service.rehearsal import rehearse
from soakd.virtual.timeline import Timeline

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from soakd.model.rehearsal import Rehearsal

SENSOR: Final = "hwmon/virtual/CPU"
AT_S: Final = 30.0
"""When it is injected."""
_PLAN: Final = """version = 1
name = "Drill"
[guard]
cooling-watch = "30 s"
{guard}
[[limit]]
of = "cpu-temperature"
{limit}
[[stage]]
name = "Load"
workload = "vector"
duration = "{duration}"
"""


class Hand(Timeline):
    """A timeline on which somebody steps the clock, or holds everything up."""

    def __init__(self) -> None:
        super().__init__()
        self.stepped_s = 0.0
        self.asleep_s = 0.0

    def wall(self) -> float:
        return super().wall() + self.stepped_s + self.asleep_s

    def suspended(self) -> float:
        return self.asleep_s

    def hold_up(self, duration_s: float) -> None:
        """Time passes, and nobody is scheduled."""
        self._now_s += duration_s

    def step(self, by_s: float) -> None:
        self.stepped_s += by_s

    def sleep_through(self, duration_s: float) -> None:
        self.asleep_s += duration_s


def rehearsed(
    *faults: Fault,
    limit: str = 'above = "120 °C"',
    guard: str = "",
    duration: str = "3 min",
    hand: Callable[[Hand], None] | None = None,
) -> Callable[[Path], Rehearsal]:
    """A run on an invented desktop; `hand` is called at AT_S."""

    def run(folder: Path) -> Rehearsal:
        plan = folder / "plan.toml"
        plan.write_text(_PLAN.format(limit=limit, guard=guard, duration=duration), encoding="utf-8")
        timeline = Hand()
        if hand is not None:
            timeline.at(AT_S, lambda: hand(timeline))
        about = VirtualBench(fault=faults)
        return rehearse(load_plan(plan), None, about, plan_file=str(plan), timeline=timeline)

    return run


def sensor(what: str, at_s: float = AT_S, **more: float) -> Fault:
    return Fault.model_validate({"what": what, "at": at_s, "channel": SENSOR, **more})
