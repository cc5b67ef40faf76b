"""How long each operating point was dwelt at, and what clock was seen there; from a run's ticks, one after another.

What is kept grows with the points and the different clocks seen at them, not with the length of the night.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from dataclasses import dataclass, field
from itertools import accumulate
from typing import TYPE_CHECKING

from soakd.model.channels import Role
from soakd.model.pace import ROUND_S
from soakd.model.verdict import ClockSummary, PointVisit
from soakd.rules.chart import Chart
from soakd.rules.demonstration import CONFIDENCE, shown_mean_s
from soakd.rules.points import POINT_KINDS, SCALAR_BITS, widths_told_apart
from soakd.rules.turns import Turns

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from soakd.model.journal import WorkerTotals
    from soakd.model.run import RunRecord
    from soakd.model.verdict import PointState
    from soakd.rules.points import Point
    from soakd.rules.turns import Turn

EDGE_S = 0.01
"""So near to a change of load a clock may belong to either side of it: the probe takes a millisecond."""
LARGEST_SHARE_OFF = 0.25
"""However short the dwell: a point whose clock was off for more of it than this was not as declared."""


@dataclass(slots=True)
class _Spot:
    """What has been gathered at one point."""

    dwelt_s: float = 0.0
    rounds: float = 0.0
    """A round over the edge of a turn is a part of one on either side."""
    errors: int = 0
    clocks: Counter[int] = field(default_factory=Counter)
    """Whole MHz to how often they were seen."""
    held_s: float = 0.0
    below_s: float = 0.0
    above_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mark:
    """A worker's totals when it was last looked at."""

    rounds: int = 0
    errors: int = 0
    checked_s: float = 0.0
    until_s: float = 0.0


class Visits:
    """Feed it a run's stages and ticks in order; ask for the points at any time."""

    def __init__(self, record: RunRecord, widths: Sequence[int]) -> None:
        """`widths`: register bits of each stage's instruction class."""
        self._plan = record.plan
        self._holds = tuple(stage.kind in POINT_KINDS for stage in record.plan.stages)
        self._virtual = record.snapshot.virtualisation is not None
        self._chart = Chart(record)
        used = {width for width, holds in zip(widths, self._holds, strict=True) if holds}
        self._told_apart = sorted(used | widths_told_apart(self._chart.clocks))
        self._widths = tuple(max(each for each in self._told_apart if each <= width) for width in widths)
        self._turns = tuple(Turns(stage, record.cores, self._chart.physical) for stage in record.plan.stages)
        self._heat = {info.name for info in record.channels if info.role == Role.CPU_TEMPERATURE.value}
        self._spots: dict[Point, _Spot] = {}
        self._marks: dict[int, _Mark] = {}
        self._begun_s = 0.0
        self._level = self._level_before = 0

    def begin(self, at_s: float) -> None:
        """The load of a stage begins."""
        self._marks = {}
        self._begun_s = at_s

    def read(self, values: Mapping[str, float]) -> None:
        """A tick's readings. The hottest processor temperature counts; without one the last one stands."""
        self._level_before = self._level
        hottest_c = max((values[name] for name in self._heat & values.keys()), default=None)
        if hottest_c is not None:
            self._level = self._chart.level(hottest_c)

    def work(self, stage: int, at_s: float, workers: Iterable[WorkerTotals], clocks: Mapping[int, float]) -> None:
        """Totals of a stage's workers, and the clocks that they have measured on themselves since the last time."""
        for totals in workers:
            was = self._marks.get(totals.core, _Mark())
            now = _Mark(
                rounds=totals.rounds,
                errors=totals.mismatches,
                checked_s=totals.checked_s if self._virtual else totals.core_s,
                until_s=totals.until_s or at_s - self._begun_s,
            )
            if now.rounds > was.rounds:
                self._marks[totals.core] = now
                self._add(stage, totals.core, was, now, clocks.get(totals.core))

    def points(self) -> tuple[PointVisit, ...]:
        """Every point that the sheet allows on this bench, by core, group, width and step."""
        planned = self._planned()
        dwelt: dict[tuple[int, int, int], float] = {}
        for point, spot in self._spots.items():
            dwelt[point[:3]] = dwelt.get(point[:3], 0.0) + spot.dwelt_s
        every = {*self._chart.all_points(self._told_apart), *self._spots}
        return tuple(self._visit(p, planned.get(p[:3], 0.0), dwelt.get(p[:3], 0.0)) for p in sorted(every))

    def _add(self, stage: int, core: int, was: _Mark, now: _Mark, clock_mhz: float | None) -> None:
        """What a worker did between two looks, shared out over the turns in which it did it."""
        turns, whole = self._turns[stage], self._chart.physical[core]
        parts = [(t, s) for t, s in turns.between(was.until_s, now.until_s) if core in t.workers and s > 0.0]
        parts = parts or [(next(turn for turn in turns.turns if core in turn.workers), 1.0)]
        if self._holds[stage]:
            longest = self._spot(stage, whole, max(parts, key=lambda part: part[1])[0])
            longest.errors += now.errors - was.errors
            load_s = sum(seconds for _, seconds in parts)
            for turn, seconds in parts:
                spot, share = self._spot(stage, whole, turn), seconds / load_s
                spot.rounds += share * (now.rounds - was.rounds)
                spot.dwelt_s += share * (now.checked_s - was.checked_s) / turn.threads[whole]
        if clock_mhz is not None:
            last = parts[-1][0]
            around = [last, *(turn for turn, _ in turns.between(now.until_s - EDGE_S, now.until_s + EDGE_S))]
            seconds = (now.checked_s - was.checked_s) / last.threads[whole]
            spot = self._spot(stage, whole, last)
            spot.clocks[round(clock_mhz)] += 1
            self._hold(spot, clock_mhz, seconds, self._bounds(stage, whole, around))

    def _bounds(self, stage: int, core: int, around: Sequence[Turn]) -> tuple[float | None, float | None]:
        """The least and the most that the sheet allows a core at one moment, MHz.

        The least counts every core that can have been active then, and the hotter of the readings before and after it;
        the most counts the fewest cores, the cooler reading, and scalar registers, for the probe's own work is scalar.
        """
        most = len({core}.union(*(turn.threads for turn in around)))
        fewest = min(turn.fewest for turn in around)
        hotter, cooler = max(self._level, self._level_before), min(self._level, self._level_before)
        return (
            self._chart.allowed_mhz(core, most, self._widths[stage], hotter),
            self._chart.allowed_mhz(core, fewest, SCALAR_BITS, cooler),
        )

    def _hold(self, spot: _Spot, clock_mhz: float, seconds: float, bounds: tuple[float | None, float | None]) -> None:
        least_mhz, most_mhz = bounds
        if least_mhz is None or most_mhz is None:
            return
        tolerance = self._plan.clock_tolerance_percent / 100.0
        spot.held_s += seconds
        spot.below_s += seconds * (clock_mhz < least_mhz * (1.0 - tolerance))
        spot.above_s += seconds * (clock_mhz > most_mhz * (1.0 + tolerance))

    def _spot(self, stage: int, core: int, turn: Turn) -> _Spot:
        point = self._chart.point(core, turn.active, self._widths[stage], self._level)
        return self._spots.setdefault(point, _Spot())

    def _planned(self) -> dict[tuple[int, int, int], float]:
        """Core, group and width to seconds of load."""
        found: dict[tuple[int, int, int], float] = {}
        for turns, width, holds in zip(self._turns, self._widths, self._holds, strict=True):
            for (core, active), seconds in turns.planned().items() if holds else ():
                key = self._chart.point(core, active, width, 0)[:3]
                found[key] = found.get(key, 0.0) + seconds
        return found

    def _visit(self, point: Point, planned_s: float, dwelt_s: float) -> PointVisit:
        """`dwelt_s`: at all steps of the point together."""
        spot = self._spots.get(point, _Spot())
        level = 0 if (from_c := self._chart.step_c(point)) is None else self._chart.level(from_c)
        return PointVisit(
            core=point.core,
            active=point.active,
            width=point.width,
            step=point.step,
            from_c=from_c,
            state=self._state(spot, planned_s, dwelt_s),
            planned_s=planned_s,
            dwelt_s=spot.dwelt_s,
            rounds=round(spot.rounds),
            errors=spot.errors,
            allowed_mhz=self._chart.allowed_mhz(point.core, point.active, point.width, level),
            clock=_summary(spot.clocks),
            held_s=spot.held_s,
            below_s=spot.below_s,
            above_s=spot.above_s,
            shown_s=shown_mean_s(spot.dwelt_s, CONFIDENCE, spot.errors) if spot.dwelt_s else None,
        )

    def _state(self, spot: _Spot, planned_s: float, dwelt_s: float) -> PointState:
        hold_s = min(self._plan.clock_hold_s, LARGEST_SHARE_OFF * spot.held_s)
        if spot.below_s > hold_s:
            return "not reached"
        if spot.above_s > hold_s:
            return "faster"
        if not round(spot.rounds):
            return "short" if spot.dwelt_s else "not visited"
        return "short" if is_short(dwelt_s, planned_s, self._plan.coverage_floor_percent) else "covered"


def is_short(dwelt_s: float, planned_s: float, floor_percent: float) -> bool:
    """Under the floor by more than one round, or by most of what was planned where that is less."""
    missing_s = planned_s - dwelt_s
    return missing_s > planned_s * (1.0 - floor_percent / 100.0) and missing_s > min(ROUND_S, planned_s / 2.0)


def _summary(clocks: Counter[int]) -> ClockSummary | None:
    if not clocks:
        return None
    ordered = sorted(clocks)
    counts = list(accumulate(clocks[mhz] for mhz in ordered))
    median_mhz = ordered[bisect_left(counts, counts[-1] / 2.0)]
    return ClockSummary(minimum_mhz=ordered[0], median_mhz=median_mhz, maximum_mhz=ordered[-1], samples=counts[-1])
