"""What a sheet lets one expect: clock and voltage of every core, for every number of active cores, width and heat."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from soakd.rules.allowed import allowed
from soakd.rules.curve import curve_of, under_current, voltage_at
from soakd.rules.point_words import spans
from soakd.rules.points import groups

if TYPE_CHECKING:
    from soakd.model.sheet import Sheet
    from soakd.rules.allowed import Allowed

WIDTHS: Final = (64, 128, 256, 512)


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """What is expected of one core."""

    core: int
    active: tuple[int, int]
    """The least and the largest number of active cores for which it holds."""
    width: int
    from_c: float | None
    """The temperature, or the one from which it holds; None below all steps down."""
    allowed: Allowed | None
    set_v: float | None
    """What the core asks for; None where no curve is declared, or no clock is allowed."""
    pins_v: float | None
    """What is left of it under the current; None without one, or without a load line."""


def cores_of(sheet: Sheet) -> tuple[int, ...]:
    """The cores that a sheet speaks of: those declared to be on, or all, or as many as its limits name."""
    if sheet.processor.cores_on is not None:
        return sheet.processor.cores_on
    named = [1, *(entry.active_cores for entry in sheet.clocks.limits), *(own.core + 1 for own in sheet.clocks.cores)]
    return tuple(range(sheet.processor.cores or max(named)))


def moments_of(sheet: Sheet) -> tuple[float | None, ...]:
    """Below all steps down, and each temperature at which one begins."""
    return (None, *sorted({step.at_c for step in sheet.clocks.steps_down}))


def spans_of(sheet: Sheet, count: int) -> tuple[tuple[int, int], ...]:
    """Numbers of active cores between which nothing changes: groups, parted where a step down begins to hold."""
    parted = {step.active_cores - 1 for step in sheet.clocks.steps_down if 1 < step.active_cores <= count}
    return spans(sorted({*groups(sheet.clocks, count), *parted}))


def expectations(
    sheet: Sheet, *, current_a: float | None = None, temperature_c: float | None = None
) -> tuple[Expectation, ...]:
    """By temperature, number of active cores, core and width; at one temperature alone where it is given."""
    cores = cores_of(sheet)
    moments = moments_of(sheet) if temperature_c is None else (temperature_c,)
    return tuple(
        _expectation(sheet, core, active, width, moment_c, current_a)
        for moment_c in moments
        for active in spans_of(sheet, len(cores))
        for core in cores
        for width in WIDTHS
    )


def _expectation(
    sheet: Sheet, core: int, active: tuple[int, int], width: int, from_c: float | None, current_a: float | None
) -> Expectation:
    most = allowed(sheet.clocks, core=core, active=active[1], width=width, temperature_c=from_c)
    set_v = None if most is None else voltage_at(curve_of(sheet, core), most.ratio)
    load_line_mohm = sheet.voltages.load_line_mohm
    pins_v = None
    if set_v is not None and current_a is not None and load_line_mohm is not None:
        pins_v = under_current(set_v, current_a=current_a, load_line_mohm=load_line_mohm)
    return Expectation(core=core, active=active, width=width, from_c=from_c, allowed=most, set_v=set_v, pins_v=pins_v)
