"""Rules of a sheet's clocks: limits by active cores, ceilings, wide registers, steps down."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from soakd import units
from soakd.rules.sheet_fields import active_cores, place_in
from soakd.rules.sheet_finding import refused, warned

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.sheet import Clocks, StepDown
    from soakd.rules.sheet_finding import SheetFinding

_LIMITS, _CORES, _VECTOR, _STEPS = (("clocks", name) for name in ("limits", "cores", "vector", "steps-down"))
_LEAST_RATIO = 1.0


def clock_findings(clocks: Clocks) -> Iterator[SheetFinding]:
    """What does not fit, whatever the bench."""
    yield from _limits_fall(clocks)
    yield from _ceilings_within_limits(clocks)
    yield from _above_the_lowest(clocks)
    yield from _vector(clocks)
    yield from _steps_lower_more(clocks)
    yield from _steps_above_the_lowest(clocks)


def highest_ratio(clocks: Clocks) -> float | None:
    """The highest ratio that is declared for any core."""
    return max([*(entry.ratio for entry in clocks.limits), *(own.ratio for own in clocks.cores)], default=None)


def _limits_fall(clocks: Clocks) -> Iterator[SheetFinding]:
    for fewer, more in pairwise(clocks.limits):
        if more.ratio > fewer.ratio:
            text = (
                f"more active cores never allow a higher ratio, and up to {active_cores(fewer.active_cores)} have "
                f"{fewer.ratio:g}; lower this one to {fewer.ratio:g} or raise that one"
            )
            yield refused("limits-rise", place_in(_LIMITS, more, "ratio"), text)


def _ceilings_within_limits(clocks: Clocks) -> Iterator[SheetFinding]:
    highest = max((entry.ratio for entry in clocks.limits), default=None)
    for own in clocks.cores:
        if highest is not None and own.ratio > highest:
            text = (
                f"no number of active cores allows more than {highest:g}, so this core can never be there; lower its "
                f"ceiling to {highest:g} or raise a limit"
            )
            yield refused("ceiling-above-limits", place_in(_CORES, own, "ratio"), text)


def _above_the_lowest(clocks: Clocks) -> Iterator[SheetFinding]:
    lowest = clocks.lowest_ratio or _LEAST_RATIO
    limits = [(place_in(_LIMITS, entry, "ratio"), entry.ratio) for entry in clocks.limits]
    ceilings = [(place_in(_CORES, entry, "ratio"), entry.ratio) for entry in clocks.cores]
    for where, ratio in (*limits, *ceilings):
        if ratio < lowest:
            text = f"it lies below the lowest ratio, {lowest:g}; raise it or lower `lowest-ratio`"
            yield refused("below-lowest", where, text)


def _vector(clocks: Clocks) -> Iterator[SheetFinding]:
    lowest, ceiling = clocks.lowest_ratio or _LEAST_RATIO, _least_ceiling(clocks)
    for entry in clocks.vector:
        where = place_in(_VECTOR, entry, "below")
        if ceiling is None:
            text = "it lies below a ceiling, and none is declared; add `limits` or `cores`, or leave it out"
            yield warned("vector-without-ceiling", where, text)
        elif ceiling - entry.below < lowest:
            text = (
                f"the least ceiling, {ceiling:g}, less {entry.below:g} is {ceiling - entry.below:g}, below the lowest "
                f"ratio, {lowest:g}; at most {ceiling - lowest:g} can be taken off"
            )
            yield refused("vector-below-lowest", where, text)
    for narrower, wider in pairwise(clocks.vector):
        if wider.below < narrower.below:
            text = (
                f"wider registers would run faster than those of {narrower.width} bits, which are {narrower.below:g} "
                "below; look whether the two are swapped"
            )
            yield warned("vector-order", place_in(_VECTOR, wider, "below"), text)


def _least_ceiling(clocks: Clocks) -> float | None:
    """From which vector ratios are counted; cores without one of their own have the highest limit."""
    own = [entry.ratio for entry in clocks.cores]
    return min([*own, *([max(entry.ratio for entry in clocks.limits)] if clocks.limits else [])], default=None)


def _steps_lower_more(clocks: Clocks) -> Iterator[SheetFinding]:
    """A step must lower more than every one that is reached whenever it is reached itself."""
    for step in clocks.steps_down:
        where = place_in(_STEPS, step, "by")
        covering = [other for other in clocks.steps_down if other is not step and _reached_with(other, step)]
        if step.by == 0:
            yield refused("steps-out-of-order", where, "it lowers nothing; leave the step out or lower by more")
        elif covering and (most := max(covering, key=lambda other: other.by)).by >= step.by:
            text = (
                f"the ratio is already {most.by:g} lower from {_temperature(most.at_c)} on, and of several steps the "
                f"largest counts; lower by more than {most.by:g} or leave the step out"
            )
            yield refused("steps-out-of-order", where, text)


def _reached_with(other: StepDown, step: StepDown) -> bool:
    return other.at_c <= step.at_c and other.active_cores <= step.active_cores


def _steps_above_the_lowest(clocks: Clocks) -> Iterator[SheetFinding]:
    """Before the step the least ratio is that of all cores, of the lowest ceiling, or of the widest registers."""
    lowest, ceiling = clocks.lowest_ratio or _LEAST_RATIO, _least_ceiling(clocks)
    if ceiling is None:
        return
    least = min(
        [ceiling - max((entry.below for entry in clocks.vector), default=0.0), *(e.ratio for e in clocks.limits)]
    )
    for step in clocks.steps_down:
        if least >= lowest > least - step.by:
            text = (
                f"the least ratio before it, {least:g}, less {step.by:g} is {least - step.by:g}, below the lowest "
                f"ratio, {lowest:g}; at most {least - lowest:g} can be taken off"
            )
            yield refused("step-below-lowest", place_in(_STEPS, step, "by"), text)


def _temperature(value_c: float) -> str:
    return units.show(value_c, units.TEMPERATURE)
