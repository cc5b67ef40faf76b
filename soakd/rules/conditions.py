"""Which part of the load holds the errors: kinds of place, and of each the one that fits best."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from soakd.rules.chances import WEAK, at_least
from soakd.rules.points import POINT_KINDS

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Sequence

    from soakd.rules.exposure import Cell

Family = Literal["fast", "group", "wide", "heavy", "pulses", "memory", "exchange", "hot"]
_STEP_MHZ: Final = 20.0
"""Clocks that are nearer to each other are one."""
_ALIKE: Final = 10.0
"""Places whose chances are nearer to each other are not told apart."""
_EDGED: Final = frozenset({"pulsed", "random"})
_LEAST_RISE_K: Final = 2.0
"""So much hotter than the hottest error is beyond it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A part of the load that holds all errors."""

    family: Family
    where: str
    """In words, with numbers."""
    inside: int
    errors: int
    """In all of the load that is compared."""
    share: float
    """Of that load."""
    tries: int
    """Places of all kinds that were looked at."""
    seconds: Callable[[Cell], float]
    """A cell's load that belongs to it."""

    @property
    def chance(self) -> float:
        """That chance alone does the like in any of them."""
        return min(1.0, self.tries * at_least(self.inside, self.errors, self.share))


@dataclass(frozen=True, slots=True)
class _Candidate:
    family: Family
    where: str
    holds: Callable[[Cell], bool]


def places(cells: Sequence[Cell], *, ended_by_error: bool = False) -> list[Place]:
    """The likeliest place of each kind, likeliest first; only those that chance alone does not make.

    `ended_by_error`: the last error is the end of the load, and so says nothing of when errors come.
    """
    candidates = [*_clocks(cells), *_groups(cells), *_widths(cells), *_kinds(cells)]
    tries = len(candidates) + any(cell.warmth for cell in cells)
    found: dict[Family, Place] = {}
    for place in (*(_place(each, cells, tries) for each in candidates), _hot(cells, tries, spared=ended_by_error)):
        if place is not None and (place.family not in found or place.chance < found[place.family].chance):
            found[place.family] = place
    return sorted((p for p in found.values() if p.chance <= WEAK), key=lambda place: place.chance)


def rivals(found: Sequence[Place], cells: Sequence[Cell]) -> list[Place]:
    """Those that fit about as well as the first. A clock and the group that has it are one place.

    A temperature that only one kind of load came to is not told from that load, however well it fits.
    """
    first, same = found[0], {"fast": {"group"}, "group": {"fast"}}
    others = [place for place in found[1:] if place.family not in same.get(first.family, set())]
    return [
        place
        for place in others
        if place.chance <= _ALIKE * max(first.chance, 1e-300)
        or (first.family == "hot" and _within(place, cells, first))
    ]


def _within(place: Place, cells: Sequence[Cell], hot: Place) -> bool:
    """No load came to that temperature outside the place, or too little of it to miss an error there."""
    held_s = math.fsum(hot.seconds(cell) for cell in cells)
    return not _spares(hot.errors, held_s, math.fsum(hot.seconds(cell) for cell in cells if not place.seconds(cell)))


def _place(candidate: _Candidate, cells: Sequence[Cell], tries: int) -> Place | None:
    inside = [cell for cell in cells if candidate.holds(cell)]
    errors, held = sum(cell.errors for cell in cells), sum(cell.errors for cell in inside)
    load_s, held_s = (math.fsum(cell.load_s for cell in part) for part in (cells, inside))
    if not held or held < errors or _spares_the_top(candidate.family, inside, held, held_s):
        return None
    return Place(
        family=candidate.family,
        where=candidate.where,
        inside=held,
        errors=errors,
        share=held_s / load_s,
        tries=tries,
        seconds=lambda cell: cell.load_s if candidate.holds(cell) else 0.0,
    )


def _hot(cells: Sequence[Cell], tries: int, *, spared: bool) -> Place | None:
    """From the temperature of the coolest error on; that one says where it begins, proves nothing, and may be any."""
    errors_c = sorted(degree for cell in cells for degree in cell.errors_c)
    errors = sum(cell.errors for cell in cells)
    others = errors - 1 - spared
    if others < 1 or len(errors_c) < errors:
        return None
    load_s, held_s, beyond_s = (
        math.fsum(cell.load_from_s(least_c) for cell in cells)
        for least_c in (-math.inf, errors_c[0], errors_c[-1] + _LEAST_RISE_K)
    )
    if not load_s or _spares(errors, held_s, beyond_s):
        return None
    return Place(
        family="hot",
        where=f"at {errors_c[0]} °C of the processor or more (the coolest error says so, and is not counted)",
        inside=others,
        errors=others,
        share=held_s / load_s,
        tries=tries * errors,
        seconds=lambda cell: cell.load_from_s(errors_c[0]),
    )


def _spares_the_top(family: Family, inside: Sequence[Cell], errors: int, load_s: float) -> bool:
    """What errs from a clock or width on would err higher up too, where there was load and no error."""
    value = _RISING.get(family)
    if value is None:
        return False
    highest = max(value(cell) for cell in inside if cell.errors)
    beyond_s = math.fsum(cell.load_s for cell in inside if value(cell) > highest + _BEYOND[family])
    return _spares(errors, load_s, beyond_s)


def _spares(errors: int, load_s: float, beyond_s: float) -> bool:
    """So many errors were to be expected beyond that a Poisson count of none has a chance below 5 %."""
    return errors * beyond_s > -math.log(WEAK) * load_s


_RISING: Final[dict[Family, Callable[[Cell], float]]] = {
    "fast": lambda cell: cell.clock_mhz or 0.0,
    "wide": lambda cell: cell.width,
    "heavy": lambda cell: cell.width,
}
_BEYOND: Final[dict[Family, float]] = {"fast": _STEP_MHZ, "wide": 0.0, "heavy": 0.0}


def _clocks(cells: Iterable[Cell]) -> Iterator[_Candidate]:
    """From a clock on."""
    known = sorted({cell.clock_mhz for cell in cells if cell.clock_mhz is not None})
    last = known[0] if known else 0.0
    for clock_mhz in known[1:]:
        if clock_mhz - last >= _STEP_MHZ:
            yield _Candidate("fast", f"at clocks from {clock_mhz:.0f} MHz on", _at_clock(clock_mhz))
        last = clock_mhz


def _at_clock(least_mhz: float) -> Callable[[Cell], bool]:
    return lambda cell: cell.clock_mhz is not None and cell.clock_mhz >= least_mhz


def _groups(cells: Iterable[Cell]) -> Iterator[_Candidate]:
    """One after another of the groups of active cores."""
    known = sorted({cell.active for cell in cells if cell.active is not None})
    for place, first in enumerate(known):
        for last in known[place:]:
            if (first, last) != (known[0], known[-1]):
                above = known[place - 1] + 1 if place else 1
                span = f"{above} active" if above == last else f"{above} to {last} active"
                yield _Candidate("group", f"with {span}", _in_group(first, last))


def _in_group(first: int, last: int) -> Callable[[Cell], bool]:
    return lambda cell: cell.active is not None and first <= cell.active <= last


def _widths(cells: Sequence[Cell]) -> Iterator[_Candidate]:
    """From a register width on; of those only where cores compute; and that with all cores active, which draws most."""
    known = sorted({cell.width for cell in cells})
    most = max((cell.active for cell in cells if cell.active is not None), default=0)
    for width in known[1:]:
        where = f"in registers of {width} bits or more"
        yield _Candidate("wide", where, _in_width(width))
        yield _Candidate("wide", f"{where}, computing", _in_width(width, POINT_KINDS))
        yield _Candidate("heavy", f"{where}, computing, with {most} active", _in_width(width, POINT_KINDS, most))


def _in_width(width: int, kinds: Collection[str] = (), active: int = 0) -> Callable[[Cell], bool]:
    def holds(cell: Cell) -> bool:
        return cell.width >= width and (cell.kind in kinds or not kinds) and (cell.active or 0) >= active

    return holds


def _kinds(cells: Iterable[Cell]) -> Iterator[_Candidate]:
    kinds = {cell.kind for cell in cells}
    patterns = {cell.pattern for cell in cells}
    if "memory" in kinds:
        yield _Candidate("memory", "in memory stages", lambda cell: cell.kind == "memory")
    if "exchange" in kinds:
        yield _Candidate("exchange", "in exchange stages", lambda cell: cell.kind == "exchange")
    if patterns & _EDGED:
        yield _Candidate("pulses", "in stages whose load comes and goes", lambda cell: cell.pattern in _EDGED)
