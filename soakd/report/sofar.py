"""A run so far, as the page shows it: fed with its events while it goes on, bounded however long that takes."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from soakd.model.journal import LoadStopped, RunEnded, StageEnded, StageStarted, Tick
from soakd.report.live import Progress
from soakd.rules.gather import Gatherer

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.model.journal import Event, WorkerTotals
    from soakd.model.limits import Bound
    from soakd.model.run import RunRecord
    from soakd.model.verdict import PointVisit

PARTS: Final = 480
"""Of the planned time, in every strip; a run that takes longer goes on beyond them."""
_SETTLED_S: Final = 20.0
"""Before that the round that is not over yet is too much of a stage's time."""
_FEWEST_TICKS: Final = 2
"""In each part, where the plan is short."""
_BETWEEN_STAGES_S: Final = 3.0
"""What each stage takes on top of its load, as a first guess: its workers get ready."""


@dataclass(slots=True)
class Spell:
    """The load of one stage, as far as it is over."""

    stage: int
    begin_s: float
    end_s: float | None = None
    complete: bool = False


@dataclass(slots=True)
class Margin:
    """What was held against one bound, part by part; NaN where there was nothing."""

    bound: Bound
    worst: array[float] = field(default_factory=lambda: array("d"))
    now: float | None = None
    nearest: float | None = None
    nearest_s: float = 0.0
    most: float = 0.0
    """The most that was left."""

    def take(self, part: int, at_s: float, watched: float) -> None:
        left = self.bound.margin(watched)
        self.now = watched
        self.worst.extend([float("nan")] * (part + 1 - len(self.worst)))
        before = self.worst[part]
        self.worst[part] = left if before != before else min(before, left)  # noqa: PLR0124 - not a number
        self.most = max(self.most, left)
        if self.nearest is None or left < self.bound.margin(self.nearest):
            self.nearest, self.nearest_s = watched, at_s

    @property
    def share(self) -> float:
        """What was left at the worst, as a share of the bound; infinite before the first reading."""
        return float("inf") if self.nearest is None else self.bound.left_share(self.nearest)


class SoFar:
    """Feed it every event of a run in order."""

    def __init__(self, record: RunRecord, units: Mapping[str, str]) -> None:
        """`units`: kind of workload to what its operations count."""
        self.record = record
        self.progress = Progress(record)
        self.gatherer = Gatherer(record, units)
        self.margins = [Margin(bound) for bound in record.bounds]
        self.spells: list[Spell] = []
        self.totals: dict[int, WorkerTotals] = {}
        """Logical core to what its worker has done in the present stage."""
        self.last_tick_s: float | None = None
        self.load_stopped = False
        self.ended = False
        plan = record.plan
        planned_s = plan.duration_s + _BETWEEN_STAGES_S * len(plan.stages)
        self.part_s = max(planned_s / PARTS, _FEWEST_TICKS * plan.guard.tick_s)

    def take(self, event: Event) -> None:
        self.progress.take(event)
        self.gatherer.add(event)
        for number, watched in self.progress.added.items():
            self.margins[number].take(int(event.at_s / self.part_s), event.at_s, watched)
        match event:
            case Tick():
                self.last_tick_s = event.at_s
                if event.stage is not None:
                    self.totals |= {totals.core: totals for totals in event.workers}
            case StageStarted():
                self.spells.append(Spell(event.stage, event.at_s))
                self.totals = {}
            case StageEnded():
                self.totals |= {totals.core: totals for totals in event.workers}
                if self.spells and self.spells[-1].stage == event.stage:
                    self.spells[-1].end_s, self.spells[-1].complete = event.at_s, event.complete
            case LoadStopped():
                self.load_stopped = True
            case RunEnded():
                self.ended = True
            case _:
                pass

    def points(self) -> tuple[PointVisit, ...]:
        """Every operating point, as it stands now."""
        return self.gatherer.points()

    def least_checked_percent(self) -> float | None:
        """Of all stages that are over, and of one that has gone on for a while and loads its cores all the time."""
        stages = self.gatherer.stages()
        shares = [stages[spell.stage].checked_percent for spell in self.spells if spell.complete]
        spell = self.spells[-1] if self.spells else None
        if spell is not None and spell.end_s is None and self.now_s - spell.begin_s > _SETTLED_S:
            stage = self.record.plan.stages[spell.stage]
            if stage.pattern in {"steady", "pulsed"}:
                so_far = (self.now_s - spell.begin_s) / stage.duration_s
                shares.append(min(100.0, stages[spell.stage].checked_percent / min(1.0, so_far)))
        return min(shares, default=None)

    @property
    def now_s(self) -> float:
        return self.progress.now_s

    @property
    def ends_s(self) -> float:
        """When the load is over if it goes on like this, counted as the run's moments are."""
        begun = {spell.stage for spell in self.spells}
        ahead = sum(1 for number in range(len(self.record.plan.stages)) if number not in begun)
        return self.now_s + self.progress.remaining_s + _BETWEEN_STAGES_S * ahead
