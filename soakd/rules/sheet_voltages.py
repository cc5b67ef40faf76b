"""Rules of a sheet's voltages, and of the most that makers state. Nothing here says that a value is safe."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from soakd import units
from soakd.rules.curve import curve_of
from soakd.rules.sheet_clocks import highest_ratio
from soakd.rules.sheet_fields import place, place_in
from soakd.rules.sheet_finding import refused, warned

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from soakd.model.sheet import Sheet
    from soakd.rules.sheet_finding import SheetFinding

_CURVE, _CORES, _TOP = ("voltages", "curve"), ("clocks", "cores"), ("voltages", "top")
_STEPS = ("clocks", "steps-down")
LEAST_V = 0.1
"""The least that a sheet can declare for a core; a bound of what can be meant."""


def voltage_findings(sheet: Sheet) -> Iterator[SheetFinding]:
    """What does not fit, whatever the bench."""
    yield from _curve_rises(sheet)
    yield from _top_above_the_curve(sheet)
    yield from _own_voltages_above_the_curve(sheet)
    yield from _voltage_is_left(sheet)
    yield from _curve_spans(sheet)
    yield from _within_makers_limits(sheet)


def _curve_rises(sheet: Sheet) -> Iterator[SheetFinding]:
    for lower, point in pairwise(sheet.voltages.curve):
        before_v, after_v = lower.voltage_v + lower.offset_v, point.voltage_v + point.offset_v
        if _less(after_v, before_v):
            text = (
                f"{_volts(point.voltage_v)} with its offset of {_volts(point.offset_v)} is {_volts(after_v)}, less "
                f"than {_volts(before_v)} at ratio {lower.ratio:g}; the curve must not fall: an offset of "
                f"{_volts(before_v - point.voltage_v)} or more keeps it level"
            )
            yield refused("curve-falls", place_in(_CURVE, point, "offset"), text)


def _top_above_the_curve(sheet: Sheet) -> Iterator[SheetFinding]:
    curve, top = sheet.voltages.curve, sheet.voltages.top
    if top is None or not curve:
        return
    last_v = curve[-1].voltage_v + curve[-1].offset_v
    if top.ratio <= curve[-1].ratio:
        text = (
            f"the factory's highest point is at {curve[-1].ratio:g} already; the top stands above it: raise its ratio, "
            "or leave the top out"
        )
        yield refused("top-below-curve", place(_TOP, "ratio"), text)
    elif _less(top.voltage_v, last_v):
        text = f"it is less than {_volts(last_v)} at ratio {curve[-1].ratio:g}; the curve must not fall"
        yield refused("curve-falls", place(_TOP, "voltage"), text)


def _own_voltages_above_the_curve(sheet: Sheet) -> Iterator[SheetFinding]:
    """The offset of the whole curve is left out: it moves both sides, and the text speaks of what is declared."""
    still = sheet.model_copy(update={"voltages": sheet.voltages.model_copy(update={"offset_v": 0.0})})
    for own in sheet.clocks.cores:
        curve = curve_of(still, own.core) if own.voltage_v is not None else ()
        if len(curve) > 1 and _less(curve[-1][1], curve[-2][1]):
            text = f"it is less than {_volts(curve[-2][1])} at ratio {curve[-2][0]:g}; the curve must not fall"
            yield refused("curve-falls", place_in(_CORES, own, "voltage"), text)


def _voltage_is_left(sheet: Sheet) -> Iterator[SheetFinding]:
    for where, _, asked_v in _core_voltages(sheet):
        if asked_v < LEAST_V:
            left, least = _volts(asked_v), _volts(LEAST_V)
            text = f"its offsets leave {left} of it, and no core runs below {least}; look at their unit"
            yield refused("no-voltage-left", where, text)


def _curve_spans(sheet: Sheet) -> Iterator[SheetFinding]:
    voltages, clocks = sheet.voltages, sheet.clocks
    ratios = [*(point.ratio for point in voltages.curve), *([voltages.top.ratio] if voltages.top else [])]
    if not ratios:
        return
    highest = highest_ratio(clocks)
    if highest is not None and highest > max(ratios):
        text = (
            f"it ends at ratio {max(ratios):g}, and {highest:g} is allowed; above it no voltage can be expected: add "
            "the voltage at the top"
        )
        yield warned("curve-too-short", "voltages: curve", text)
    if clocks.lowest_ratio is not None and clocks.lowest_ratio < min(ratios):
        text = (
            f"it begins at ratio {min(ratios):g}, and {clocks.lowest_ratio:g} is allowed; below it no voltage can be "
            "expected: add a point"
        )
        yield warned("curve-too-short", "voltages: curve", text)


def _within_makers_limits(sheet: Sheet) -> Iterator[SheetFinding]:
    stated = sheet.makers_limits
    asked = {where: asked_v for where, _, asked_v in _core_voltages(sheet)}
    moved = {where for where, declared_v, asked_v in _core_voltages(sheet) if declared_v != asked_v}
    yield from _held("core-voltage", stated.core_voltage_v, asked, units.VOLTAGE, moved=moved)
    rails = {name.casefold(): value for name, value in stated.memory_voltages.items()}
    for rail, value_v in sheet.memory.voltages.items():
        declared = {place(("memory", "voltages"), rail): value_v}
        yield from _held(f"memory-voltages, {rail}", rails.get(rail.casefold()), declared, units.VOLTAGE)
    yield from _held("temperature", stated.temperature_c, dict(_temperatures(sheet)), units.TEMPERATURE)
    currents = {
        "limits: current": sheet.limits.current_a,
        "limits: sustained-current": sheet.limits.sustained_current_a,
    }
    declared = {where: value for where, value in currents.items() if value is not None}
    yield from _held("current", stated.current_a, declared, units.CURRENT)


def _core_voltages(sheet: Sheet) -> Iterator[tuple[str, float, float]]:
    """Place, what is declared there, and what is asked for once its offsets are added."""
    voltages = sheet.voltages
    declared = [(place_in(_CURVE, point, "voltage"), point.voltage_v, point.offset_v) for point in voltages.curve]
    if voltages.top is not None:
        declared.append((place(_TOP, "voltage"), voltages.top.voltage_v, 0.0))
    owned = ((place_in(_CORES, own, "voltage"), own.voltage_v) for own in sheet.clocks.cores)
    declared += [(where, value_v, 0.0) for where, value_v in owned if value_v is not None]
    for where, value_v, offset_v in declared:
        yield where, value_v, round(value_v + offset_v + voltages.offset_v, 9)


def _temperatures(sheet: Sheet) -> Iterator[tuple[str, float]]:
    for step in sheet.clocks.steps_down:
        yield place_in(_STEPS, step, "at"), step.at_c
    if sheet.limits.throttle_c is not None:
        yield "limits: throttle-temperature", sheet.limits.throttle_c


def _held(
    name: str, most: float | None, declared: dict[str, float], of: units.Dimension, *, moved: Collection[str] = ()
) -> Iterator[SheetFinding]:
    """A value that is not above a stated limit passes in silence, which is no judgement.

    `moved`: places of values that are not as declared, because offsets were added.
    """
    said = {
        where: units.show(value, of) + (", offsets included," if where in moved else "")
        for where, value in declared.items()
    }
    if most is None and declared:
        highest = said[max(declared, key=declared.__getitem__)]
        text = (
            f"no maker's limit is stated, so {highest} is held against none; copy it from the maker's document. "
            "Whether a value is safe is not judged here"
        )
        yield warned("makers-limit-unstated", f"makers-limits: {name}", text)
    for where, value in declared.items():
        if most is not None and _less(most, value):
            text = (
                f"{said[where]} is above the maker's limit as this sheet states it, {units.show(most, of)}. "
                "Whether either is safe is not judged here"
            )
            yield warned("above-makers-limit", where, text)


def _less(one: float, other: float) -> bool:
    """Sums of offsets carry binary dust."""
    return round(other - one, 9) > 0


def _volts(value_v: float) -> str:
    return units.show(round(value_v, 9), units.VOLTAGE)
