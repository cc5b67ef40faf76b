"""The course of a run on one time axis: the band of its stages, and for each limit a strip of what was left."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from soakd import units
from soakd.model.columns import NO_STAGE
from soakd.model.journal import RunEnded, Tick
from soakd.report.drawn import area, blocks
from soakd.rules.course import Courses

if TYPE_CHECKING:
    from array import array
    from collections.abc import Iterable, Iterator, Sequence

    from soakd.model.columns import Columns
    from soakd.model.journal import Event
    from soakd.model.rehearsal import RehearsedStage, Strip
    from soakd.model.run import ChannelInfo, RunRecord
    from soakd.model.verdict import Verdict
    from soakd.report.view import MarginRow, VerdictView

PARTS: Final = 600
"""Of the time, in every strip and trace."""
_LETTERS: Final = 1.15
"""Of the stage band for each % of the time, on a wide screen; a narrow one cuts them off."""
_SHORTEST: Final = 6
"""Letters of a name that are worth reading."""
_MARKS: Final = 6
"""On the time axis at most."""
_STEPS_S: Final = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14_400, 21_600, 43_200)
_DAY_S: Final = 86_400
_IN_EACH_STAGE: Final = ("cpu-temperature", "coolant-temperature", "package-power")
"""Roles that are told stage by stage."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BandPart:
    """One stage in the band; places are shares of the time in %."""

    number: int
    name: str
    begin_s: float
    end_s: float
    lasted: str
    complete: bool
    x: float
    width: float

    @property
    def label(self) -> str:
        return band_label(self.number, self.name, self.width)


def band_label(number: int, name: str, width: float) -> str:
    """As much of number and name as there is room for in this share of the time; in a short one the number alone, or
    nothing.
    """
    room = int(width * _LETTERS)
    text = f"{number} {name}"
    if len(text) <= room:
        return text
    return f"{text[: room - 1].rstrip()}…" if room > _SHORTEST else str(number) * (room > len(str(number)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """The time of a run."""

    ended_s: float
    parts: int
    band: tuple[BandPart, ...]
    marks: tuple[tuple[float, str], ...]
    """Place in %, and what stands there."""
    edges: tuple[float, ...]
    """Where stages begin and end, in parts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StripView:
    """What was left until one limit, part by part: the less, the lower."""

    row: MarginRow
    when: str
    most: str
    """What the strip's height stands for."""
    left: str
    beyond: str
    """Path of the parts in which it was broken."""
    nearest: int | None
    """The part in which least was left."""

    @property
    def alternative(self) -> str:
        """All of it in words."""
        broken = "; it was broken" if self.beyond else ""
        return (
            f"Left until {self.row.what} {self.row.bound}: {self.row.left} at the worst{self.when}, {self.most}{broken}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class StageCourse:
    """One stage: of each followed channel what it read at the start, at the end, at most."""

    number: str
    name: str
    lasted: str
    readings: tuple[str, ...]


def followed(record: RunRecord, events: Sequence[Event], columns: Columns) -> tuple[Courses, float]:
    """The course of what is limited, and when the run ended."""
    courses = Courses(record, followed=())
    names = {name for bound in record.bounds for name in bound.channels}
    wanted = [(c.name, columns.column(number)) for number, c in enumerate(columns.channels) if c.name in names]
    others = [event for event in events if not isinstance(event, Tick)]
    place = 0
    for moment_s, event in [*((event.at_s, event) for event in others), (math.inf, None)]:
        while place < len(columns.at_s) and columns.at_s[place] < moment_s:
            values = {name: v for name, column in wanted if (v := column[place]) == v}
            stage = columns.stage[place]
            courses.tick(columns.at_s[place], None if stage == NO_STAGE else stage, values)
            place += 1
        if event is not None:
            courses.take(event)
    ends = [event.at_s for event in others if isinstance(event, RunEnded)]
    return courses, max([*ends, *columns.at_s[-1:], *(event.at_s for event in others), 1.0])


def axis(
    stages: Sequence[RehearsedStage], ended_s: float, verdict: Verdict, parts: int, *, going: bool = False
) -> Axis:
    """`going`: the run is not over, so that a last stage that is not complete was not stopped."""
    share = 100.0 / ended_s
    whole = [stage.complete or (going and stage is stages[-1]) for stage in stages]
    return Axis(
        ended_s=ended_s,
        parts=parts,
        band=tuple(
            BandPart(
                number=stage.index + 1,
                name=verdict.plan.stages[stage.index].name,
                begin_s=stage.begin_s,
                end_s=stage.end_s,
                lasted=units.duration_text(stage.end_s - stage.begin_s) + ("" if complete else ", stopped"),
                complete=complete,
                x=round(stage.begin_s * share, 3),
                width=round((stage.end_s - stage.begin_s) * share, 3),
            )
            for stage, complete in zip(stages, whole, strict=True)
        ),
        marks=tuple((round(at_s * share, 3), units.duration_text(at_s)) for at_s in _marks(ended_s)),
        edges=tuple(round(stage.begin_s / ended_s * parts, 1) for stage in stages if stage.begin_s > 0.0),
    )


def _marks(ended_s: float) -> Iterable[int]:
    fits = (step for step in _STEPS_S if ended_s / step <= _MARKS)
    step = next(fits, -(-int(ended_s / _MARKS) // _DAY_S) * _DAY_S)
    return range(step, int(ended_s) + 1, step)


def strip_views(strips: Sequence[Strip], shown: VerdictView, verdict: Verdict, axis: Axis) -> tuple[StripView, ...]:
    """The nearest limit first, as a share of itself. Words and numbers are the verdict's own."""
    nearest = [limit.at_s for limit in verdict.evidence.limits] or [strip.nearest_s for strip in strips]
    views = [
        (share_left(strip), number, _strip(strip, row, at_s, axis))
        for number, (strip, row, at_s) in enumerate(zip(strips, shown.margins, nearest, strict=True))
    ]
    return tuple(view for *_, view in sorted(views, key=lambda each: each[:2]))


def share_left(strip: Strip) -> float:
    return float("inf") if strip.nearest is None else strip.bound.left_share(strip.nearest)


def _strip(strip: Strip, row: MarginRow, at_s: float | None, axis: Axis) -> StripView:
    bound = strip.bound
    left = [None if value is None else bound.margin(value) for value in strip.worst]
    most = 0.0 if strip.farthest is None else bound.margin(strip.farthest)
    return StripView(
        row=row,
        when="" if at_s is None else f", after {units.duration_text(at_s)}",
        most="no reading" if strip.farthest is None else f"{units.reading_text(most, bound.left_unit)} at most",
        left=area(left, 0.0, max(most, 1e-12)),
        beyond=blocks([value is not None and value < 0.0 for value in left]),
        nearest=None if at_s is None else min(axis.parts - 1, int(at_s / axis.ended_s * axis.parts)),
    )


def stage_courses(axis: Axis, columns: Columns) -> tuple[tuple[str, ...], tuple[StageCourse, ...]]:
    """Headings of the channels, and a row for each stage whose load began; of each role the channel that read most."""
    told = _telling(columns)
    rows = tuple(
        StageCourse(
            number=str(part.number),
            name=part.name,
            lasted=part.lasted,
            readings=tuple(text for channel, column in told for text in _course(column, channel.unit, part, columns)),
        )
        for part in axis.band
    )
    return tuple(channel.name for channel, _ in told), rows


def _telling(columns: Columns) -> list[tuple[ChannelInfo, array[float]]]:
    most: dict[str, tuple[float, ChannelInfo, array[float]]] = {}
    for number, channel in enumerate(columns.channels):
        if channel.role in _IN_EACH_STAGE:
            column = columns.column(number)
            highest = max((value for value in column if not math.isnan(value)), default=-math.inf)
            if channel.role not in most or highest > most[channel.role][0]:
                most[channel.role] = highest, channel, column
    return [most[role][1:] for role in _IN_EACH_STAGE if role in most]


def _course(column: array[float], unit: str, part: BandPart, columns: Columns) -> Iterator[str]:
    """Before its load, at its end, at most."""
    first = bisect_left(columns.at_s, part.begin_s)
    last = bisect_right(columns.at_s, part.end_s)
    known = [value for value in column[first:last] if not math.isnan(value)]
    before = column[max(0, first - 1) : first] or column[first : first + 1]
    begin = next((value for value in before if not math.isnan(value)), None)
    for value in (begin, known[-1] if known else None, max(known, default=None)):
        yield "–" if value is None else units.reading_text(value, unit)
