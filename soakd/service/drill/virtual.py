"""Drills on the virtual bench: what would do harm for real, or take too long."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from soakd.config.files import load_plan
from soakd.model.virtual import Fault, VirtualBench
from soakd.sensors.sampler import read_safely
from soakd.service.rehearsal import rehearse
from soakd.virtual.bench import RESOLUTION_K
from soakd.virtual.sensors import VirtualSource
from soakd.virtual.timeline import Timeline

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from soakd.clock import Clock
    from soakd.model.channels import Channel
    from soakd.model.rehearsal import Rehearsal
    from soakd.ports import SensorSource
    from soakd.virtual.bench import Bench

    Meddle = Callable[[dict[str, float], float], None]
    """Changes what the sensors said at a moment, s from the run's start."""

SENSOR: Final = "hwmon/virtual/CPU"
AT_S: Final = 30.0
"""When it is injected."""
STILL_C: Final = 45.0
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


class _Meddled(VirtualSource):
    """The bench's sensors, and a hand in what they say."""

    def __init__(self, bench: Bench, clock: Clock, meddle: Meddle) -> None:
        super().__init__(bench, clock)
        self._meddle = meddle

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        values, gaps = super().read()
        self._meddle(values, self._clock.monotonic())
        return values, gaps


class _Sampled:
    """A source as the real sampler reads it."""

    def __init__(self, source: SensorSource) -> None:
        self.name = source.name
        self._source = source

    def channels(self) -> Sequence[Channel]:
        return self._source.channels()

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        return read_safely(self._source)


def tremble(values: dict[str, float], now_s: float) -> None:
    """By the sensor's resolution, from one reading to the next."""
    values[SENSOR] = STILL_C + RESOLUTION_K * (round(now_s) % 2)


def unnumber(values: dict[str, float], now_s: float) -> None:
    if now_s >= AT_S:
        values[SENSOR] = math.nan


def fail(values: dict[str, float], now_s: float) -> None:
    if now_s >= AT_S:
        raise ArithmeticError(f"of {len(values)} values none")


def rehearsed(
    *faults: Fault,
    limit: str = 'above = "120 °C"',
    guard: str = "",
    duration: str = "3 min",
    hand: Callable[[Hand], None] | None = None,
    meddle: Meddle | None = None,
) -> Callable[[Path], Rehearsal]:
    """A run on an invented desktop; `hand` is called at AT_S, `meddle` with everything that is read."""

    def source(bench: Bench, clock: Clock) -> SensorSource:
        return VirtualSource(bench, clock) if meddle is None else _Sampled(_Meddled(bench, clock, meddle))

    def run(folder: Path) -> Rehearsal:
        plan = folder / "plan.toml"
        plan.write_text(_PLAN.format(limit=limit, guard=guard, duration=duration), encoding="utf-8")
        timeline = Hand()
        if hand is not None:
            timeline.at(AT_S, lambda: hand(timeline))
        about = VirtualBench(fault=faults)
        return rehearse(load_plan(plan), None, about, plan_file=str(plan), timeline=timeline, source=source)

    return run


def sensor(what: str, at_s: float = AT_S, **more: float) -> Fault:
    return Fault.model_validate({"what": what, "at": at_s, "channel": SENSOR, **more})
