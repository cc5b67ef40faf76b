"""Leads from wrong results: on which cores they were, and under what load."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple, cast

from soakd import units
from soakd.rules.chances import WEAK, at_least, chance_text, confidence
from soakd.rules.conditions import places, rivals
from soakd.rules.exposure import cells, errors_of, not_kept
from soakd.rules.lead_memory import memory_leads
from soakd.rules.leading import led
from soakd.rules.point_words import core_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from soakd.model.lead import Lead, LeadName
    from soakd.model.verdict import Verdict
    from soakd.rules.conditions import Place
    from soakd.rules.exposure import Cell

_MANY: Final = 5
"""Errors from which on their spread over cores and loads means something (common practice, no source)."""
_PERCENT: Final = 100.0
_COMPUTES: Final = frozenset({"fast", "wide", "hot", "heavy", "group", "pulses", "exchange"})


class _Accused(NamedTuple):
    """Cores that hold all errors."""

    cores: tuple[int, ...]
    errors: int
    share: float
    chance: float


def wrong_leads(verdict: Verdict) -> Iterator[Lead]:
    """Of a verdict with wrong results; likeliest first."""
    errors = errors_of(verdict)
    spent = cells(verdict, errors)
    if not any(cell.errors for cell in spent):
        return
    ended = len(errors) >= verdict.plan.guard.mismatches and verdict.evidence.load_gone_s is not None
    everywhere = places(spent, ended_by_error=ended)
    if all(cell.kind == "memory" for cell in spent if cell.errors):
        yield from memory_leads(verdict, next((p for p in everywhere if p.family == "memory"), None))
        return
    accused = _accused(spent)
    yield _placed(verdict, spent, accused, ended=ended)


def _accused(spent: Sequence[Cell]) -> _Accused | None:
    """The cores that hold all errors, where they are half of the cores at most and chance does not make the like."""
    loads = {core: math.fsum(c.load_s for c in spent if c.core == core) for core in {c.core for c in spent}}
    cores = tuple(sorted({cell.core for cell in spent if cell.errors}))
    if 2 * len(cores) > len(loads):
        return None
    errors = sum(cell.errors for cell in spent)
    share = math.fsum(loads[core] for core in cores) / math.fsum(loads.values())
    chance = min(1.0, math.comb(len(loads), len(cores)) * at_least(errors, errors, share))
    return _Accused(cores, errors, share, chance) if chance <= WEAK else None


def _placed(verdict: Verdict, spent: Sequence[Cell], accused: _Accused | None, *, ended: bool) -> Lead:
    """Cores and load together: the load is looked for in that of the accused cores."""
    here = spent if accused is None else [cell for cell in spent if cell.core in accused.cores]
    found = [place for place in places(here, ended_by_error=ended) if place.family in _COMPUTES]
    told = [*([] if accused is None else [_core_line(accused, spent)]), *_kept_line(verdict)]
    who = "" if accused is None else core_text(accused.cores)
    if found:
        beside = rivals(found, here)
        lines = [*told, *(_place_line(place, who) for place in (found[0], *beside))]
        chance = max(found[0].chance, accused.chance if accused else 0.0)
        return led(
            _name(found[0].family, accused),
            who=who,
            sure="open" if beside else confidence(chance) or "weak",
            evidence=lines,
            beside=tuple(_name(place.family, accused) for place in beside),
        )
    different = _different(here)
    if accused is not None:
        name: LeadName = "one-core-everywhere" if different else "one-core"
        return led(name, who=who, sure=confidence(accused.chance) or "weak", evidence=[*told, _loads_line(here)])
    errors, cores = sum(cell.errors for cell in spent), {cell.core for cell in spent if cell.errors}
    spread = errors >= _MANY and len(cores) > len({cell.core for cell in spent}) / 2 and different
    return led(
        "everywhere" if spread else "not-told-apart",
        sure="weak" if spread else "open",
        evidence=[_cores_line(spent), *told, _loads_line(spent)],
    )


def _different(here: Sequence[Cell]) -> bool:
    """Errors under different loads: in registers of different width, where there was load in such."""
    wrong = [cell for cell in here if cell.errors]
    widths = {cell.width for cell in wrong}
    if len({cell.width for cell in here}) > 1:
        return len(widths) > 1
    return len({(cell.kind, cell.pattern) for cell in wrong}) > 1


def _name(family: str, accused: _Accused | None) -> LeadName:
    return cast("LeadName", family if accused is None else f"one-core-{family}")


def _core_line(accused: _Accused, spent: Sequence[Cell]) -> str:
    looked = len({cell.core for cell in spent})
    return (
        f"{accused.errors} of {accused.errors} rounds with wrong results on {core_text(accused.cores)}, which had "
        f"{_PERCENT * accused.share:.0f} % of the checked load; by chance on any of {looked} cores: "
        f"{chance_text(accused.chance)} (stages; exact binomial test)"
    )


def _place_line(place: Place, who: str) -> str:
    whose = f" of {who}" if who else ""
    return (
        f"{place.inside} of {place.errors}{whose} {place.where}, which had {_PERCENT * place.share:.1f} % of "
        f"{'its' if who else 'the'} checked load; by chance at any of {place.tries} places: "
        f"{chance_text(place.chance)} (stages and operating points; exact binomial test)"
    )


def _loads_line(here: Sequence[Cell]) -> str:
    stages = sorted({cell.stage for cell in here})
    told = []
    for stage in stages:
        load_s = math.fsum(cell.load_s for cell in here if cell.stage == stage)
        told.append(
            f"{sum(c.errors for c in here if c.stage == stage)} in {units.duration_text(load_s)} of {stage + 1}"
        )
    return f"errors by stage, in the checked load of these cores: {', '.join(told)} (stages)"


def _cores_line(spent: Sequence[Cell]) -> str:
    wrong = sorted({cell.core for cell in spent if cell.errors})
    errors = sum(cell.errors for cell in spent)
    return f"{errors} rounds with wrong results, on {core_text(wrong)} of {len({cell.core for cell in spent})}"


def _kept_line(verdict: Verdict) -> Iterator[str]:
    missing = not_kept(verdict)
    if missing:
        yield f"{missing} wrong results more were counted and not kept one by one: a round keeps eight"
