"""The voltage that a core asks for at a ratio, and what of it reaches the pins under current."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from soakd.rules.allowed import ceiling_of

if TYPE_CHECKING:
    from soakd.model.sheet import Sheet


def curve_of(sheet: Sheet, core: int) -> tuple[tuple[float, float], ...]:
    """Ratios, rising, and this core's volts there: the factory's points with their offsets, and the top above them.

    The top is the core's own ceiling where a voltage is declared for it, else the sheet's. It ends the curve: factory
    points at or above its ratio count no more. The offset of the whole curve is in all of them.
    """
    voltages, own = sheet.voltages, ceiling_of(sheet.clocks, core)
    curve = sorted((point.ratio, point.voltage_v + point.offset_v) for point in voltages.curve)
    top = None if voltages.top is None else (voltages.top.ratio, voltages.top.voltage_v)
    if own is not None and own.voltage_v is not None:
        top = (own.ratio, own.voltage_v)
    if top is not None:
        curve = [*(point for point in curve if point[0] < top[0]), top]
    return tuple((ratio, volts + voltages.offset_v) for ratio, volts in curve)


def voltage_at(curve: tuple[tuple[float, float], ...], ratio: float) -> float | None:
    """Volts at a ratio, linear between two points; beyond the ends the end's. None where no curve is declared."""
    if not curve:
        return None
    for (low, low_v), (high, high_v) in pairwise(curve):
        if low <= ratio <= high and low < high:
            return low_v + (high_v - low_v) * (ratio - low) / (high - low)
    return curve[0][1] if ratio < curve[0][0] else curve[-1][1]


def under_current(voltage_v: float, *, current_a: float, load_line_mohm: float) -> float:
    """Volts at the pins: V - I · R of the load line (a regulator's output characteristic; VRM 10.2L guideline)."""
    return voltage_v - current_a * load_line_mohm / 1000.0
