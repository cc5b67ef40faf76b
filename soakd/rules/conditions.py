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
"""The same of temperatures."""


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
    candidates = [*_clocks(cells), *_groups(cells), *_widths(cells), *_kinds(cells), *_hot(cells)]
    found: dict[Family, Place] = {}
    for each in candidates:
        place = _place(each, cells, len(candidates), spared=ended_by_error and each.family == "hot")
        if place is not None and (each.family not in found or place.chance < found[each.family].chance):
            found[each.family] = place
    return sorted((p for p in found.values() if p.chance <= WEAK), key=lambda place: place.chance)


def rivals(found: Sequence[Place]) -> list[Place]:
    """Those that fit about as well as the first. A clock and the group that has it are one place."""
    same = {"fast": {"group"}, "group": {"fast"}}
    alike = [place for place in found[1:] if place.chance <= _ALIKE * max(found[0].chance, 1e-300)]
    return [place for place in alike if place.family not in same.get(found[0].family, set())]


def _place(candidate: _Candidate, cells: Sequence[Cell], tries: int, *, spared: bool) -> Place | None:
    compared = [cell for cell in cells if candidate.family != "hot" or cell.core_c is not None]
    inside = [cell for cell in compared if candidate.holds(cell)]
    errors, held = sum(cell.errors for cell in compared), sum(cell.errors for cell in inside)
    load_s = math.fsum(cell.load_s for cell in compared)
    late = [cell for cell in inside if candidate.family == "hot" and cell.errors]
    warm = {stage: min(c.late for c in late if c.stage == stage) for stage in {c.stage for c in late}}
    held_s = math.fsum(cell.load_s * (1.0 - warm.get(cell.stage, 0.0)) for cell in inside)
    if not held or held < errors or _spares_the_top(candidate.family, inside, held, held_s):
        return None
    fitted = 2 ** sum(share > 0.0 for share in warm.values())
    return Place(
        family=candidate.family,
        where=candidate.where,
        inside=held - spared,
        errors=errors - spared,
        share=held_s / load_s,
        tries=tries * fitted,
    )


def _spares_the_top(family: Family, inside: Sequence[Cell], errors: int, load_s: float) -> bool:
    """What errs from a clock, width or temperature on would err higher up too, where there was load and no error.

    So many errors were to be expected there that a Poisson count of none has a chance below 5 %.
    """
    value = _RISING.get(family)
    if value is None:
        return False
    highest = max(value(cell) for cell in inside if cell.errors)
    beyond_s = math.fsum(cell.load_s for cell in inside if value(cell) > highest + _BEYOND[family])
    return errors * beyond_s > -math.log(WEAK) * load_s


_RISING: Final[dict[Family, Callable[[Cell], float]]] = {
    "fast": lambda cell: cell.clock_mhz or 0.0,
    "wide": lambda cell: cell.width,
    "heavy": lambda cell: cell.width,
    "hot": lambda cell: cell.core_c or 0.0,
}
_BEYOND: Final[dict[Family, float]] = {"fast": _STEP_MHZ, "wide": 0.0, "heavy": 0.0, "hot": _LEAST_RISE_K}


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


def _hot(cells: Iterable[Cell]) -> Iterator[_Candidate]:
    """Steady stages that came to a temperature, and of each only the time from its first error on."""
    known = sorted({cell.core_c for cell in cells if cell.core_c is not None})
    last = -math.inf
    for core_c in known:
        if core_c - last >= _LEAST_RISE_K:
            where = f"in stages that came to {core_c:.0f} °C or more, and not before their first error there"
            yield _Candidate("hot", where, _from_c(core_c))
        last = core_c


def _from_c(least_c: float) -> Callable[[Cell], bool]:
    return lambda cell: cell.core_c is not None and cell.core_c >= least_c
