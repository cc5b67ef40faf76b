"""Why a clock was not the declared one, as far as the evidence says: heat, power, the reference clock, a host."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

from soakd import units
from soakd.model.channels import Role
from soakd.rules.cores import physical

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from soakd.model.run import RunRecord
    from soakd.model.sheet import Sheet
    from soakd.model.snapshot import Snapshot
    from soakd.model.verdict import Evidence, PointVisit

NEAR_LIMIT = 0.97
"""A reading of power from this share of a limit on may be held there (common practice, no source)."""
NEAR_THROTTLE_K = 1.0
SAME_SHARE = 0.003
"""Clocks that miss what is declared by shares this alike are off by one common factor."""
LARGEST_REFERENCE_SHARE = 0.1
"""No reference clock is declared further from the true one by mistake (common practice, no source)."""
CauseKind = Literal["heat", "power", "reference", "host"]


class Cause(NamedTuple):
    """What may have kept a clock from being the declared one."""

    kind: CauseKind
    text: str


def likely_cause(record: RunRecord, evidence: Evidence, point: PointVisit) -> str:
    """One sentence on the likeliest cause; empty where nothing points to any."""
    found = causes(record.sheet, record.snapshot, evidence, point)
    return f"Likely cause: {found[0].text}" if found else ""


def causes(sheet: Sheet | None, snapshot: Snapshot, evidence: Evidence, point: PointVisit) -> list[Cause]:
    """All that the evidence points to, likeliest first."""
    slower = point.below_s >= point.above_s
    found = [*(_held_back(sheet, snapshot, evidence, point) if slower else ())]
    found += [Cause("reference", text) for text in _reference(sheet, evidence)]
    if snapshot.virtualisation:
        found.append(Cause("host", "this is a virtual machine, whose host decides on the clock"))
    return found


def _held_back(sheet: Sheet | None, snapshot: Snapshot, evidence: Evidence, point: PointVisit) -> Iterator[Cause]:
    """Heat and power, the processor's own count first."""
    counts = evidence.throttled
    heat = 0 if counts is None else _of_core(snapshot, counts.heat, point.core)
    power = 0 if counts is None else _of_core(snapshot, counts.power, point.core)
    said = "times that it held this core or all of them back for it"
    if heat:
        yield Cause("heat", f"heat: the processor counted {heat} {said}")
    yield from (Cause("heat", text) for text in _hot(sheet, evidence))
    if power:
        yield Cause("power", f"a power limit: the processor counted {power} {said}")
    yield from (Cause("power", text) for text in _near_power_limit(sheet, evidence))


def _of_core(snapshot: Snapshot, counts: Mapping[int, int], core: int) -> int:
    whole = physical(snapshot)
    return max((count for logical, count in counts.items() if whole.get(logical, logical) == core), default=0)


def _hot(sheet: Sheet | None, evidence: Evidence) -> Iterator[str]:
    throttle_c = sheet.limits.throttle_c if sheet else None
    for channel in evidence.channels:
        if throttle_c is None or channel.role != Role.CPU_TEMPERATURE.value or channel.maximum is None:
            continue
        if channel.maximum >= throttle_c - NEAR_THROTTLE_K:
            yield f"heat: {channel.name} came to {channel.maximum:.1f} °C, and {throttle_c:g} °C throttle the processor"


def _near_power_limit(sheet: Sheet | None, evidence: Evidence) -> Iterator[str]:
    limits = sheet.limits if sheet else None
    declared = [limit for limit in (limits.sustained_power_w, limits.short_power_w) if limit] if limits else []
    for channel in evidence.channels:
        for limit_w in declared:
            if channel.unit == "W" and channel.maximum is not None and channel.maximum >= NEAR_LIMIT * limit_w:
                said = units.show(limit_w, units.POWER)
                yield f"a power limit: {channel.name} came to {channel.maximum:.0f} W, and {said} are declared"


def _reference(sheet: Sheet | None, evidence: Evidence) -> Iterator[str]:
    """All points, of at least two declared clocks, are off by the same share."""
    seen = [(p.clock.median_mhz, p.allowed_mhz) for p in evidence.points if p.clock and p.allowed_mhz and p.held_s]
    shares = [clock / allowed for clock, allowed in seen]
    declared_mhz = sheet.clocks.reference_mhz if sheet else None
    if declared_mhz is None or len({allowed for _, allowed in seen}) < 2 or max(shares) - min(shares) > SAME_SHARE:
        return
    share = sum(shares) / len(shares)
    if abs(share - 1.0) <= LARGEST_REFERENCE_SHARE:
        true, said = (f"{mhz:.2f} MHz" for mhz in (share * declared_mhz, declared_mhz))
        yield f"the reference clock: every point is off by the same share, as if it were {true} and not {said}"
