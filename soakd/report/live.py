"""A running soak: is it still good, how much is proven, when is it done. Pure: events in, a picture out."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from rich.console import Group
from rich.table import Table
from rich.text import Text

from soakd import units
from soakd.model.journal import Cooling, Found, LoadStopped, Prepared, StageAnnounced, StageEnded, StageStarted, Tick
from soakd.rules.margins import Margins

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.model.finding import Finding
    from soakd.model.journal import Event, WorkerTotals
    from soakd.model.limits import Bound
    from soakd.model.run import RunRecord

BAND_CELLS = 48


@dataclass(slots=True)
class Progress:
    """What is known so far of a run that goes on."""

    record: RunRecord
    stage: int | None = None
    now_s: float = 0.0
    stage_began_s: float | None = None
    """None while its workers get ready."""
    done_s: float = 0.0
    prepared: bool = False
    stopped: bool = False
    cooling: dict[str, float] | None = None
    """After a stop, while the guard watches the bench cool: what its temperatures read."""
    values: dict[str, float] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    added: dict[int, float] = field(default_factory=dict)
    """What the last event added: number of a bound to what is held against it."""
    _totals: dict[tuple[int, int], WorkerTotals] = field(default_factory=dict)
    _margins: Margins = field(init=False)

    def __post_init__(self) -> None:
        self._margins = Margins(self.record)

    def take(self, event: Event) -> None:
        self.now_s = event.at_s
        self.added = self._margins.take(event)
        match event:
            case Prepared():
                self.prepared = True
            case StageAnnounced():
                self.stage, self.stage_began_s = event.stage, None
            case StageStarted():
                self.stage_began_s = event.at_s
            case Tick():
                self.values = event.values
                if event.stage is not None:
                    self._totals |= {(event.stage, totals.core): totals for totals in event.workers}
            case StageEnded():
                self._totals |= {(event.stage, totals.core): totals for totals in event.workers}
                self.done_s += self.record.plan.stages[event.stage].duration_s if event.complete else 0.0
                self.stage = None
            case Found():
                self.findings.append(event.finding)
            case LoadStopped():
                self.stopped = True
            case Cooling():
                self.cooling = event.values
            case _:
                pass

    @property
    def rounds(self) -> int:
        return sum(totals.rounds for totals in self._totals.values())

    @property
    def mismatches(self) -> int:
        return sum(totals.mismatches for totals in self._totals.values())

    @property
    def elapsed_s(self) -> float:
        """Load time so far, within the plan."""
        if self.stage is None or self.stage_began_s is None:
            return self.done_s
        into_s = max(0.0, self.now_s - self.stage_began_s)
        return self.done_s + min(into_s, self.record.plan.stages[self.stage].duration_s)

    @property
    def remaining_s(self) -> float:
        return max(0.0, self.record.plan.duration_s - self.elapsed_s)

    def watched(self) -> list[tuple[Bound, float]]:
        """Every bound that there is something for, and what is held against it now."""
        return [(self.record.bounds[number], watched) for number, watched in self._margins.now.items()]

    def nearest(self) -> tuple[Bound, float, float] | None:
        """The bound with the least left now, as a share of itself: bound, what is held against it, what is left."""
        rows = [(bound, watched, bound.margin(watched)) for bound, watched in self.watched()]
        return min(rows, key=lambda row: row[0].left_share(row[1]), default=None)


def picture(progress: Progress) -> Group:
    """The live view for a terminal."""
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim", no_wrap=True)
    table.add_column(overflow="fold")
    table.add_row("stage", Text(_stage_line(progress)))
    table.add_row("", band(progress))
    table.add_row("remaining", units.duration_text(progress.remaining_s))
    table.add_row("margin", Text(margin_line(progress)))
    table.add_row("proven", f"{progress.rounds} rounds checked")
    wrong = progress.mismatches
    table.add_row("wrong results", Text(str(wrong), style="bold red" if wrong else ""))
    for finding in progress.findings[-3:]:
        table.add_row("found", Text(finding.text, style="yellow" if finding.weight == "note" else "red"))
    return Group(table)


def _stage_line(progress: Progress) -> str:
    count = len(progress.record.plan.stages)
    if progress.cooling is not None:
        return f"stopped, the load is gone; the bench cools: {cooling_text(progress.cooling)}"
    if progress.stage is None:
        return (
            "stopped"
            if progress.stopped
            else "between stages"
            if progress.prepared
            else "building and trying the kernels"
        )
    return f"{progress.stage + 1} of {count}: {progress.record.plan.stages[progress.stage].name}"


def band(progress: Progress) -> Text:
    """The plan as a band of stages with the present moment: what lies behind is solid, what lies ahead is not."""
    plan = progress.record.plan
    text = Text()
    start_s = 0.0
    for number, stage in enumerate(plan.stages):
        cells = max(3, round(BAND_CELLS * stage.duration_s / plan.duration_s))
        done = (progress.elapsed_s - start_s) / stage.duration_s
        solid = round(cells * min(1.0, max(0.0, done)))
        text.append("▰" * solid + "▱" * (cells - solid), style="bold" if number == progress.stage else "")
        text.append(" ")
        start_s += stage.duration_s
    return text


def margin_line(progress: Progress) -> str:
    """The bound that is nearest to being broken now."""
    nearest = progress.nearest()
    if nearest is None:
        return "nothing is watched" if not progress.record.bounds else "no reading"
    bound, watched, left = nearest
    seen = units.reading_text(watched, bound.watched_unit)
    return f"{units.reading_text(left, bound.left_unit)} left: {bound.what} at {seen}, {bound.says}"


def cooling_text(values: Mapping[str, float]) -> str:
    """The hottest of what is watched after a stop."""
    if not values:
        return "no reading"
    name, hottest_c = max(values.items(), key=lambda each: each[1])
    return f"{name} at {hottest_c:.1f} °C"


def plain_line(progress: Progress) -> str:
    """The same in one line, for a log."""
    return (
        f"{_stage_line(progress)} · {units.duration_text(progress.remaining_s)} left · {margin_line(progress)} · "
        f"{progress.rounds} rounds · {progress.mismatches} wrong"
    )
