"""What does not fit in a sheet: in itself, and on a bench. Each finding names its rule and what would be right."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from soakd import units
from soakd.rules.declared import contradictions
from soakd.rules.sheet_clocks import clock_findings
from soakd.rules.sheet_cores import core_findings
from soakd.rules.sheet_fields import place_in
from soakd.rules.sheet_finding import refused, warned
from soakd.rules.sheet_voltages import voltage_findings

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from soakd.model.sheet import Sheet
    from soakd.model.snapshot import Snapshot
    from soakd.rules.sheet_finding import SheetFinding

RATES_PER_REFERENCE = (2.0, 8.0 / 3.0)
"""Two transfers in a cycle of the memory clock, which is a whole multiple of the reference clock, or of 4/3 of it
(common practice, no source)."""
_ROUNDED_MTS = 1.0
"""A rate is often written without its fraction: 2133 for 2133.33, 2666 or 2667 for 2666.67."""
_STEPS = ("clocks", "steps-down")


def check(
    sheet: Sheet, snapshot: Snapshot | None = None, *, channels: Collection[str] | None = None
) -> list[SheetFinding]:
    """Everything that is found. Without a snapshot, and without channels, nothing is held against a bench."""
    found = [
        *_trial(sheet),
        *core_findings(sheet, snapshot),
        *clock_findings(sheet.clocks),
        *voltage_findings(sheet),
        *_cache(sheet),
        *_memory(sheet),
        *_limits(sheet),
        *_cooling(sheet, channels),
    ]
    if snapshot is not None:
        found += [refused("bench-shows-otherwise", *each) for each in contradictions(sheet, snapshot).items()]
    return found


def _trial(sheet: Sheet) -> Iterator[SheetFinding]:
    if sheet.parent == sheet.name:
        yield refused("own-parent", "parent", "a trial cannot be made from itself; give this one a name of its own")


def _cache(sheet: Sheet) -> Iterator[SheetFinding]:
    lighter, heavier, change_at_a = sheet.cache.lighter_ratio, sheet.cache.heavier_ratio, sheet.cache.change_at_a
    if lighter is not None and heavier is not None and heavier > lighter:
        text = (
            f"heavier load has no higher ratio than lighter load, which has {lighter:g}; look whether they are swapped"
        )
        yield refused("cache-order", "cache: heavier-ratio", text)
    if heavier is not None and change_at_a is None:
        text = "from which current it holds is not declared; add `change-at`"
        yield warned("cache-change", "cache: heavier-ratio", text)
    if change_at_a is not None and heavier is None:
        text = "what holds from there on is not declared; add `heavier-ratio`"
        yield warned("cache-change", "cache: change-at", text)
    most_a = sheet.limits.current_a
    if change_at_a is not None and most_a is not None and change_at_a > most_a:
        text = f"the current is limited to {units.show(most_a, units.CURRENT)}, so it can never be there; lower it"
        yield refused("cache-change", "cache: change-at", text)


def _memory(sheet: Sheet) -> Iterator[SheetFinding]:
    rate, reference = sheet.memory.data_rate_mts, sheet.clocks.reference_mhz
    if rate is None or reference is None:
        return
    near = sorted(
        factor * reference * whole
        for factor in RATES_PER_REFERENCE
        for whole in (math.floor(rate / factor / reference), math.ceil(rate / factor / reference))
        if whole
    )
    if all(abs(each - rate) >= _ROUNDED_MTS for each in near):
        below, above = [r for r in near if r < rate][-1:], [r for r in near if r > rate][:1]
        nearest = " or ".join(units.show(round(each, 2), units.DATA_RATE) for each in (*below, *above))
        text = (
            f"a reference clock of {units.show(reference, units.FREQUENCY)} cannot make it: rates are whole multiples "
            f"of {2 * reference:.6g} or {8 * reference / 3:.6g} MT/s; nearest: {nearest}"
        )
        yield refused("data-rate", "memory: data-rate", text)


def _limits(sheet: Sheet) -> Iterator[SheetFinding]:
    limits = sheet.limits
    pairs = (
        ("short-power", limits.short_power_w, limits.sustained_power_w, units.POWER, "sustained power"),
        ("current", limits.current_a, limits.sustained_current_a, units.CURRENT, "sustained current"),
    )
    for name, short, sustained, of, words in pairs:
        if short is not None and sustained is not None and short < sustained:
            text = f"the {words}, {units.show(sustained, of)}, is higher; the one for a moment is never the lower one"
            yield refused("limit-order", f"limits: {name}", text)
    if limits.short_time_s is not None and limits.short_power_w is None:
        yield warned("short-time-alone", "limits: short-time", "of what is not declared; add `short-power`")
    for step in sheet.clocks.steps_down:
        if limits.throttle_c is not None and step.at_c > limits.throttle_c:
            text = (
                f"the processor throttles at {units.show(limits.throttle_c, units.TEMPERATURE)} before it is reached; "
                "lower it, raise `throttle-temperature`, or leave the step out"
            )
            yield refused("step-above-throttle", place_in(_STEPS, step, "at"), text)


def _cooling(sheet: Sheet, channels: Collection[str] | None) -> Iterator[SheetFinding]:
    ambient_c, channel = sheet.cooling.ambient_c, sheet.cooling.coolant_channel
    for step in sheet.clocks.steps_down:
        if ambient_c is not None and step.at_c <= ambient_c:
            text = (
                f"at an ambient of {units.show(ambient_c, units.TEMPERATURE)} it holds from the start; is that meant?"
            )
            yield warned("step-below-ambient", place_in(_STEPS, step, "at"), text)
    if channel is not None and channels is not None and channel not in channels:
        text = "this bench has no such channel; `soakd sensors list` names them all"
        yield refused("no-such-channel", "cooling: coolant-channel", text)
