"""A rehearsal for a page: when it would end, what would stop it, its stages, margins, temperatures and coverage."""

from __future__ import annotations

from datetime import UTC, timedelta
from typing import TYPE_CHECKING, Final

from soakd import units
from soakd.model.base import Value
from soakd.report.course import PARTS, axis, followed, strip_views
from soakd.report.points import points_view
from soakd.report.points_html import points_html
from soakd.report.rehearsed import MODEL, ending, notes
from soakd.report.traces import groups
from soakd.report.view import view
from soakd.report.wall import wall_marks
from soakd.rules.margins import BROKEN

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime, tzinfo

    from soakd.model.rehearsal import Rehearsal
    from soakd.report.course import BandPart, StripView
    from soakd.report.page import Night
    from soakd.report.traces import TraceView

_DRAWN: Final = ("Temperature", "Power")
"""Groups of traces that are shown; the whole report has all."""
_FEWEST: Final = 2


class RehearsedStage(Value):
    """One stage in the band; places in %."""

    number: int
    name: str
    label: str
    lasted: str
    complete: bool
    x: float
    width: float


class RehearsedStrip(Value):
    """What would be left until one limit."""

    what: str
    bound: str
    left: str
    worst: str
    most: str
    drawn: str
    beyond: str


class RehearsedTrace(Value):
    """One channel."""

    name: str
    numbers: str
    top: str
    foot: str
    band: str
    mean: str


class RehearsedView(Value):
    """All that is shown; a value, so that it can come from another process."""

    title: str
    saying: str
    """How it would end, and what the rules would say; why follows."""
    why: str
    grade: str
    """good, bad, or waiting where something would be missing."""
    model: str
    ended_s: float
    parts: int
    stages: tuple[RehearsedStage, ...]
    strips: tuple[RehearsedStrip, ...]
    traces: tuple[RehearsedTrace, ...]
    counts: str
    """Of operating points; empty without a sheet."""
    points: str
    """Their grid as HTML."""
    legend: str
    limit: str
    """Whether one would stop it, in words."""
    besides: tuple[str, ...]


def rehearsed_view(shown: Rehearsal, night: Night) -> RehearsedView:
    verdict, told = shown.verdict, view(shown.verdict)
    parts = max(1, min(PARTS, len(night.columns.at_s) // _FEWEST))
    courses, ended_s = followed(night.record, night.events, night.columns)
    time = axis(courses.stages(), ended_s, verdict, parts)
    strips = strip_views(courses.strips(ended_s, parts), told, verdict, time)
    points = points_view(verdict.evidence.points)
    end, outcome, why = ending(shown).partition(f": {verdict.outcome}")
    sheet = f"sheet “{verdict.sheet.name}”" if verdict.sheet else "no sheet"
    return RehearsedView(
        title=f"{verdict.plan.name} · {sheet} · {shown.bench}, seed {shown.seed}",
        saying=end + outcome,
        why=why.removeprefix("; "),
        grade={"pass": "good", "fail": "bad"}.get(verdict.outcome, "waiting"),
        model=MODEL,
        ended_s=ended_s,
        parts=parts,
        stages=tuple(map(_stage, time.band)),
        strips=tuple(map(_strip, strips)),
        traces=tuple(
            _trace(trace)
            for group in groups(night.columns, verdict, time)
            if group.name in _DRAWN
            for trace in group.traces
        ),
        counts="" if points is None else points.counts,
        points="" if points is None else points_html(points),
        legend="" if points is None else "; ".join(f"{mark} {meaning}" for mark, meaning in points.legend),
        limit=_limit(shown, strips),
        besides=(*(reason.text for reason in verdict.reasons[1:]), *notes(shown)),
    )


def _stage(part: BandPart) -> RehearsedStage:
    return RehearsedStage(
        number=part.number,
        name=part.name,
        label=part.label,
        lasted=part.lasted,
        complete=part.complete,
        x=part.x,
        width=part.width,
    )


def _strip(strip: StripView) -> RehearsedStrip:
    return RehearsedStrip(
        what=strip.row.what,
        bound=strip.row.bound,
        left=strip.row.left,
        worst=strip.when.removeprefix(", "),
        most=strip.most,
        drawn=strip.left,
        beyond=strip.beyond,
    )


def _trace(trace: TraceView) -> RehearsedTrace:
    return RehearsedTrace(
        name=trace.name,
        numbers=trace.numbers,
        top=trace.top,
        foot=trace.foot,
        band=trace.band,
        mean=trace.mean,
    )


def _limit(shown: Rehearsal, strips: Sequence[StripView]) -> str:
    if not strips:
        return "No limit watches any sensor"
    broken = next((reason for reason in shown.verdict.reasons if reason.rule == BROKEN), None)
    if broken is not None and shown.down is None and not shown.complete:
        return f"Yes: {broken.text}"
    least = strips[0]
    return f"No; least left {least.row.left}: {least.row.what}, {least.row.bound}"


def done_text(begun: datetime, ended_s: float, zone: tzinfo) -> str:
    """If it is started then: about Fri 07:12 CET, after 8 h 03 min."""
    begun_here = begun.astimezone(zone)
    here = (begun.astimezone(UTC) + timedelta(seconds=ended_s)).astimezone(zone)
    day = "" if here.date() == begun_here.date() else f"{here:%a} "
    return f"about {day}{here:%H:%M} {here:%Z}, after {units.duration_text(round(ended_s))}"


def marks(begun: datetime, ended_s: float, zone: tzinfo) -> tuple[tuple[float, str], ...]:
    """The wall's clock along it, if it is started then."""
    return tuple(wall_marks(begun, ended_s, zone))
