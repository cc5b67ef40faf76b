"""The run that is on, at a glance: is it still good, how much is proven, when is it done."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final, Literal

from soakd import units
from soakd.report.cores import CoreRow, core_rows
from soakd.report.course import band_label
from soakd.report.drawn import area, blocks
from soakd.report.live import cooling_text, margin_line
from soakd.report.points import PointsView, points_view
from soakd.report.view import told_text
from soakd.report.wall import wall_marks
from soakd.rules.gather import class_key

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import tzinfo

    from soakd.report.sofar import Margin, SoFar

Row = tuple[str, str]
Grade = Literal["good", "bad", "waiting"]
_HALF_A_MINUTE_S: Final = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StagePart:
    """One stage in the band; places are shares of the time in %."""

    number: int
    name: str
    state: Literal["done", "stopped", "on", "ahead"]
    x: float
    width: float

    @property
    def label(self) -> str:
        return band_label(self.number, self.name, self.width)


@dataclass(frozen=True, slots=True, kw_only=True)
class NowStrip:
    """What is left until one limit."""

    number: int
    what: str
    left: str
    """Now."""
    worst: str
    """So far, and when."""
    bound: str
    most: str
    drawn: str
    beyond: str
    nearest: float | None
    """Place of the moment when least was left, in parts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NowView:
    """What is shown of the run that is on."""

    run_id: str
    grade: Grade
    headline: str
    saying: str
    good: str
    proven: str
    done: str
    """The three answers."""
    short: str
    """All of it in a few words, for the head of every page."""
    stages: tuple[StagePart, ...]
    marks: tuple[tuple[float, str], ...]
    now: float
    """Place of the present moment in %."""
    parts: int
    """That the whole time has in every strip."""
    zone: str
    """Of the clock that the marks are those of."""
    stage: str
    strips: tuple[NowStrip, ...]
    points: PointsView | None
    findings: tuple[str, ...]
    cores: tuple[CoreRow, ...]


def now_view(so_far: SoFar, zone: tzinfo, *, behind: bool = False) -> NowView:
    """`zone`: of the bench's wall clock. `behind`: not all that is kept of the run has been read yet."""
    progress = so_far.progress
    end_s = max(so_far.ends_s, so_far.now_s)
    parts = max(1, math.ceil(end_s / so_far.part_s))
    span_s = parts * so_far.part_s
    points = points_view(so_far.points(), so_far.gatherer.stages())
    grade, saying = _grade(so_far), _saying(so_far)
    if behind:
        saying = f"The run so far is being read: {units.duration_text(so_far.now_s)} of it"
    good = _good(so_far)
    proven, left = _proven(so_far, points), units.duration_text(progress.remaining_s)
    done = _done(so_far, zone)
    sheet = f"sheet “{so_far.record.sheet.name}”" if so_far.record.sheet else "no sheet"
    return NowView(
        run_id=so_far.record.run_id,
        grade=grade,
        headline=f"{so_far.record.plan.name} · {sheet}",
        saying=saying,
        good=good,
        proven=proven,
        done=done,
        short=f"{saying}; " + (f"{left} left" if grade == "good" else done),
        stages=tuple(_stages(so_far, span_s)),
        marks=tuple(wall_marks(_moment(so_far, 0.0), span_s, zone)),
        now=round(100.0 * so_far.now_s / span_s, 3),
        parts=parts,
        zone=f"{_moment(so_far, so_far.now_s).astimezone(zone):%Z}",
        stage=_stage(so_far),
        strips=tuple(_strip(number, margin, so_far.part_s) for number, margin in _worst_first(so_far)),
        points=points,
        findings=tuple(_findings(so_far)),
        cores=tuple(core_rows(so_far)),
    )


def _grade(so_far: SoFar) -> Grade:
    progress = so_far.progress
    spoilt = any(finding.weight == "fail" for finding in progress.findings)
    if spoilt or progress.mismatches or so_far.load_stopped:
        return "bad"
    return "good" if progress.prepared else "waiting"


def _saying(so_far: SoFar) -> str:
    progress, grade = so_far.progress, _grade(so_far)
    if so_far.load_stopped:
        return "Stopped; the load is gone"
    if grade == "bad":
        return "Not good: something went wrong"
    if grade == "waiting":
        return "Getting ready"
    missing = any(finding.weight == "inconclusive" for finding in progress.findings) or _short(so_far)
    return "Nothing wrong so far, but something is missing" if missing else "Good so far"


def _good(so_far: SoFar) -> str:
    progress = so_far.progress
    wrong = progress.mismatches
    results = f"{wrong} wrong result{'s' if wrong != 1 else ''}" if wrong else "no wrong result"
    return "; ".join(filter(None, (results, _least_left(so_far), _short(so_far))))


def _least_left(so_far: SoFar) -> str:
    """Until which limit, as a share of itself, as in the order of the strips and in a verdict."""
    read = ((m, m.nearest, m.now) for _, m in _worst_first(so_far) if m.nearest is not None and m.now is not None)
    margin, nearest, seen = next(read, (None, 0.0, 0.0))
    if margin is None or nearest is None or seen is None:
        return margin_line(so_far.progress)
    worst, now = (units.reading_text(margin.bound.margin(v), margin.bound.left_unit) for v in (nearest, seen))
    return f"least left {worst}, now {now}: {margin.bound.what}, {margin.bound.says}"


def _short(so_far: SoFar) -> str:
    """Where too little of a stage's time is checked for a pass; empty where enough is."""
    floor = so_far.record.plan.coverage_floor_percent
    least = so_far.least_checked_percent()
    if least is None or least >= floor:
        return ""
    return f"only {least:.0f} % of the weakest core's time is checked so far, and a pass asks for {floor:g} %"


def _proven(so_far: SoFar, points: PointsView | None) -> str:
    told = f"{so_far.progress.rounds} rounds checked"
    if points is None:
        return told
    visited = sum(1 for point in so_far.points() if point.planned_s and point.from_c is None)
    return f"{told}; operating points: {points.counts}; this plan visits {visited} of them"


def _done(so_far: SoFar, zone: tzinfo) -> str:
    if so_far.progress.cooling is not None:
        return f"the bench cools: {cooling_text(so_far.progress.cooling)}"
    if so_far.load_stopped:
        return "the verdict follows"
    at = _moment(so_far, so_far.ends_s + _HALF_A_MINUTE_S).astimezone(zone)
    now = _moment(so_far, so_far.now_s).astimezone(zone)
    day = "" if at.date() == now.date() else f"{at:%a} "
    return f"about {day}{at:%H:%M} {at:%Z}, {units.duration_text(so_far.progress.remaining_s)} of load left"


def _moment(so_far: SoFar, at_s: float) -> datetime:
    return datetime.fromisoformat(so_far.record.started_utc).astimezone(UTC) + timedelta(seconds=at_s)


def _stage(so_far: SoFar) -> str:
    progress = so_far.progress
    if progress.stage is None:
        return "" if so_far.load_stopped else "between stages" if progress.prepared else "kernels are built and tried"
    stage = so_far.record.plan.stages[progress.stage]
    asked = so_far.record.classes[class_key(stage)]
    pattern = "" if stage.pattern == "steady" else f", {stage.pattern}"
    place = f"Stage {progress.stage + 1} of {len(so_far.record.plan.stages)}"
    return f"{place}, {stage.name}: {stage.kernel}, {asked}{pattern}"


def _stages(so_far: SoFar, span_s: float) -> Iterator[StagePart]:
    """Those behind as they were, those ahead as they will be if nothing comes in between."""
    spells = {spell.stage: spell for spell in so_far.spells}
    stages = so_far.record.plan.stages
    ahead = [number for number in range(len(stages)) if number not in spells]
    going = spells.get(so_far.progress.stage) if so_far.progress.stage is not None else None
    at_s = so_far.now_s if going is None else going.begin_s + stages[going.stage].duration_s
    between_s = (so_far.ends_s - at_s - sum(stages[n].duration_s for n in ahead)) / len(ahead) if ahead else 0.0
    for number, stage in enumerate(stages):
        spell = spells.get(number)
        if spell is None:
            if so_far.load_stopped:
                continue
            at_s += max(0.0, between_s)
            begin_s, end_s, state = at_s, at_s + stage.duration_s, "ahead"
            at_s = end_s
        elif spell.end_s is None:
            begin_s = spell.begin_s
            end_s, state = (so_far.now_s, "stopped") if so_far.load_stopped else (begin_s + stage.duration_s, "on")
        else:
            begin_s, end_s, state = spell.begin_s, spell.end_s, "done" if spell.complete else "stopped"
        share = 100.0 / span_s
        yield StagePart(
            number=number + 1,
            name=stage.name,
            state=state,  # type: ignore[arg-type] # one of the four above
            x=round(begin_s * share, 3),
            width=round(max(0.0, min(end_s, span_s) - begin_s) * share, 3),
        )


def _worst_first(so_far: SoFar) -> list[tuple[int, Margin]]:
    return sorted(enumerate(so_far.margins), key=lambda each: (each[1].share, each[0]))


def _strip(number: int, margin: Margin, part_s: float) -> NowStrip:
    bound = margin.bound
    left = [None if math.isnan(value) else value for value in margin.worst]
    worst = "no reading yet"
    if margin.nearest is not None:
        text = units.reading_text(bound.margin(margin.nearest), bound.left_unit)
        worst = f"{text} at the worst, after {units.duration_text(margin.nearest_s)}"
    now = "unknown" if margin.now is None else units.reading_text(bound.margin(margin.now), bound.left_unit)
    seen = "" if margin.now is None else f" at {units.reading_text(margin.now, bound.watched_unit)}"
    return NowStrip(
        number=number,
        what=f"{bound.role}: {bound.what}{seen}",
        left=now,
        worst=worst,
        bound=bound.says,
        most=units.reading_text(margin.most, bound.left_unit),
        drawn=area(left, 0.0, max(margin.most, 1e-12)),
        beyond=blocks([value is not None and value < 0.0 for value in left]),
        nearest=None if margin.nearest is None else int(margin.nearest_s / part_s) + 0.5,
    )


def _findings(so_far: SoFar) -> Iterator[str]:
    """The gravest first, of each weight the newest first."""
    order = {"fail": 0, "inconclusive": 1, "note": 2}
    found = sorted(so_far.progress.findings, key=lambda each: (order[each.weight], -(each.at_s or 0.0)))
    for finding in found:
        yield told_text(finding, so_far.record.snapshot)
