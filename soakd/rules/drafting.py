"""A plan that visits every operating point of a sheet, the least visited one for as long as the hours allow."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING, Final

from soakd import units
from soakd.errors import UsageError
from soakd.model.channels import Role
from soakd.model.limits import Limit
from soakd.model.plan import Plan, Stage
from soakd.rules.chapters import parts_for
from soakd.rules.health import limitable

if TYPE_CHECKING:
    from soakd.model.sheet import Sheet
    from soakd.rules.chapters import Ground, Part

START_S: Final = 1.0
"""Kept free for the start of each stage, which no duration counts."""
LONGEST_DWELL_S: Final = 60.0
"""A walk with more time for each core goes round again, so that each is visited at different hours."""
LIMIT_MARGIN_K: Final = 5.0
"""How far below the lowest stated temperature the load is stopped; as far as the guard stays below a sensor's own."""
LIMIT_HOLD_S: Final = 2.0
_MOST_STAGES = 1000
_LONGEST_NAME = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A plan, and what there is to tell about it."""

    plan: Plan
    parts: tuple[Part, ...]
    """What the plan's stages were made from, in order."""
    limit_origin: str
    """Where the temperature limit comes from."""


def drafted(sheet: Sheet, ground: Ground, *, duration_s: float) -> Draft:
    """The plan for so much time. Raises UsageError where that is too short for stages that mean something."""
    parts = parts_for(sheet, ground)
    if len(parts) > _MOST_STAGES:
        raise UsageError(
            f"the points of this sheet need {len(parts)} stages, and a plan has {_MOST_STAGES} at most",
            hint="groups of active cores whose size divides the number of cores need fewer",
        )
    starts_s = START_S * len(parts)
    least_s = max(part.shortest_s * max(part.turns, 1) / part.share for part in parts)
    if duration_s < least_s + starts_s:
        needed_h = ceil(10 * (least_s + starts_s) / 3600) / 10
        raise UsageError(
            f"{units.duration_text(duration_s)} is too short to visit every point of this sheet on this bench",
            hint=f"{needed_h:g} h are the least: then the shortest stage has the time that its load needs to settle",
        )
    stages = tuple(_stage(part, part.share * (duration_s - starts_s)) for part in parts)
    limits, origin = _limits(sheet)
    name = f"{sheet.name}: {units.duration_text(duration_s)}"[:_LONGEST_NAME]
    plan = Plan(version=1, name=name, limit=limits, stages=stages)
    return Draft(plan=plan, parts=parts, limit_origin=origin)


def _stage(part: Part, duration_s: float) -> Stage:
    """The part with so much time, or a little less where that makes a round number."""
    if not part.turns:
        return Stage(name=part.name, duration=_rounded(duration_s), **part.fields)
    passes = ceil(duration_s / (part.turns * LONGEST_DWELL_S))
    dwell_s = _rounded(duration_s / (part.turns * passes))
    total_s = round(dwell_s * part.turns * passes, 1)
    return Stage(name=part.name, duration=total_s, dwell=dwell_s, **part.fields)


def _rounded(duration_s: float) -> float:
    """Down to whole seconds; below a minute, where a second counts, to tenths."""
    return float(int(duration_s)) if duration_s >= 60.0 else int(duration_s * 10.0) / 10.0


def _limits(sheet: Sheet) -> tuple[tuple[Limit, ...], str]:
    """A limit on the processor's temperature below what the sheet states, and which statement it comes from."""
    stated = {
        "the throttle temperature": sheet.limits.throttle_c,
        "the maker's limit": sheet.makers_limits.temperature_c,
    }
    known = {whose: at_c for whose, at_c in stated.items() if at_c is not None}
    if not known:
        return (), "the sheet states neither a throttle temperature nor a maker's limit: the guard's own rule holds"
    whose, at_c = min(known.items(), key=lambda item: item[1])
    low_c, high_c = limitable(Role.CPU_TEMPERATURE)
    above_c = min(max(at_c - LIMIT_MARGIN_K, low_c), high_c)
    limit = Limit(of=Role.CPU_TEMPERATURE, above=units.show(above_c, units.TEMPERATURE), hold=LIMIT_HOLD_S)
    return (limit,), f"{LIMIT_MARGIN_K:g} K below {whose} of {units.show(at_c, units.TEMPERATURE)}"
