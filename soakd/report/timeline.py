"""The coming night on one line: when what will probably run, hours and midnight as the clock on the wall shows them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from soakd import units

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from datetime import tzinfo

    from soakd.rules.ahead import Spell

_MOST_MARKS: Final = 7
_STEPS_H: Final = (1, 2, 3, 4, 6, 12)
_LOOK: Final = timedelta(minutes=15)
"""Offsets of zones, and the steps between two of them, are whole quarters of an hour."""
_LETTERS: Final = 1.1
_SHORTEST: Final = 4
_THINNEST: Final = 0.7
"""Of a bar, in %."""
_MOST_LANES: Final = 12
_EACH: Final = 2
"""Runs of one entry that are told from begin to end; of more the beginnings."""
_SHORT: Final = timedelta(hours=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One entry."""

    name: str
    spells: tuple[Spell, ...]
    openings: tuple[tuple[datetime, datetime], ...]
    running: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One run; places are shares of the time in %."""

    x: float
    width: float
    cut: bool
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneView:
    """One entry's runs."""

    name: str
    bars: tuple[Bar, ...]
    openings: tuple[tuple[float, float], ...]
    """Place and width of what a window leaves open."""
    running: bool
    says: str
    """All of it in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A whole hour on the wall."""

    x: float
    text: str
    day: str
    """At midnight the day that begins; else empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """From now on."""

    lanes: tuple[LaneView, ...]
    more: int
    """Lanes that are left out."""
    marks: tuple[Mark, ...]
    begin_utc: str
    end_utc: str
    jumps: tuple[str, ...]
    """Where the clocks are changed in this time."""


def timeline(lanes: Sequence[Lane], begin: datetime, end: datetime, zone: tzinfo) -> Timeline:
    """Lanes with nothing in this time are left out."""
    span = (end - begin).total_seconds()

    def place(moment: datetime) -> float:
        return round(100.0 * (moment - begin).total_seconds() / span, 3)

    views = []
    for lane in lanes:
        bars = tuple(_bar(spell, place, zone) for spell in lane.spells)
        openings = tuple((place(first), round(place(last) - place(first), 3)) for first, last in lane.openings)
        if bars or openings:
            says = _going(lane.spells, zone) if lane.running else _said(lane.spells, zone)
            views.append(LaneView(name=lane.name, bars=bars, openings=openings, running=lane.running, says=says))
    return Timeline(
        lanes=tuple(views[:_MOST_LANES]),
        more=max(0, len(views) - _MOST_LANES),
        marks=tuple(_marks(begin, end, zone, span)),
        begin_utc=begin.astimezone(UTC).isoformat(),
        end_utc=end.astimezone(UTC).isoformat(),
        jumps=tuple(_jumps(begin, end, zone)),
    )


def _going(spells: Sequence[Spell], zone: tzinfo) -> str:
    """The first of them is on."""
    first, *others = spells
    now = f"now, until {first.end.astimezone(zone):%a %H:%M %Z}"
    return f"{now}; then {_said(others, zone)}" if others else now


def _said(spells: Sequence[Spell], zone: tzinfo) -> str:
    """Thu 23:00 CET to Fri 07:00 CET; or 3 runs, about 26 s each: Thu 08:00, 12:00, Fri 08:00 CET."""
    if not spells:
        return "no run in this time"
    if len(spells) <= _EACH:
        return "; ".join(_spell(spell, zone) for spell in spells)
    heres = [spell.begin.astimezone(zone) for spell in spells]
    told = [
        f"{here:%a %H:%M}" if before is None or before.date() != here.date() else f"{here:%H:%M}"
        for before, here in zip([None, *heres], heres, strict=False)
    ]
    for place, (here, then) in enumerate(pairwise(heres)):
        told[place] += "" if f"{here:%Z}" == f"{then:%Z}" else f" {here:%Z}"
    each = units.duration_text(max(spell.end - spell.begin for spell in spells).total_seconds())
    return f"{len(spells)} runs, about {each} each: {', '.join(told)} {heres[-1]:%Z}"


def _spell(spell: Spell, zone: tzinfo) -> str:
    begin, end = spell.begin.astimezone(zone), spell.end.astimezone(zone)
    cut = ", stopped as its window closes" if spell.cut else ""
    if spell.end - spell.begin < _SHORT:
        return (
            f"{begin:%a %H:%M %Z}, about {units.duration_text(round((spell.end - spell.begin).total_seconds()))}{cut}"
        )
    return f"{begin:%a %H:%M %Z} to {end:%a %H:%M %Z}{cut}"


def _bar(spell: Spell, place: Callable[[datetime], float], zone: tzinfo) -> Bar:
    x = place(spell.begin)
    width = round(max(_THINNEST, min(place(spell.end), 100.0) - x), 3)
    text = f"{spell.begin.astimezone(zone):%H:%M}–{spell.end.astimezone(zone):%H:%M}"
    label = text if len(text) <= width * _LETTERS else text[:5] if width * _LETTERS > _SHORTEST else ""
    return Bar(x=x, width=width, cut=spell.cut, label=label)


def _marks(begin: datetime, end: datetime, zone: tzinfo, span: float) -> Iterator[Mark]:
    """Whole hours of the wall clock, evenly on it: one may come twice, or not at all, where the clock is changed."""
    step_h = next((step for step in _STEPS_H if span / 3600.0 / step <= _MOST_MARKS), _STEPS_H[-1])
    for moment in _quarters(begin, end):
        here = moment.astimezone(zone)
        if here.minute == 0 and here.hour % step_h == 0:
            x = round(100.0 * (moment - begin).total_seconds() / span, 3)
            yield Mark(x=x, text=f"{here:%H:%M}", day=f"{here:%a} {here.day}" if here.hour == 0 else "")


def _jumps(begin: datetime, end: datetime, zone: tzinfo) -> Iterator[str]:
    before = begin.astimezone(zone)
    for moment in _quarters(begin, end):
        here = moment.astimezone(zone)
        change = (here.utcoffset() or timedelta()) - (before.utcoffset() or timedelta())
        if change:
            then = (moment.astimezone(UTC) + (before.utcoffset() or timedelta())).replace(tzinfo=None)
            way = "forward" if change > timedelta() else "back"
            yield f"On {then:%a} {then.day} at {then:%H:%M} {before:%Z} the clocks go {way} to {here:%H:%M} {here:%Z}."
        before = here


def _quarters(begin: datetime, end: datetime) -> Iterator[datetime]:
    """Every whole quarter of an hour."""
    utc = begin.astimezone(UTC)
    moment = utc.replace(minute=utc.minute // 15 * 15, second=0, microsecond=0) + _LOOK
    while moment < end:
        yield moment
        moment += _LOOK
