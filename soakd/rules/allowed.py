"""The clock that a sheet allows one core: the least of the declared limits that apply to it at that moment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd import units

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.sheet import Clocks, CoreCeiling, StepDown, VectorLimit


@dataclass(frozen=True, slots=True)
class Allowed:
    """The highest ratio, the clock that it makes, and which declaration holds it there."""

    ratio: float
    clock_mhz: float | None
    """None where no reference clock is declared."""
    because: str


def allowed(clocks: Clocks, *, core: int, active: int, width: int, temperature_c: float | None) -> Allowed | None:
    """What holds while so many cores are active and this one uses registers of so many bits (64: scalar).

    Without a temperature no step down is taken to be reached. None when nothing that is declared applies.
    """
    bounds = list(_bounds(clocks, core, active, width))
    if not bounds:
        return None
    ratio, because = min(bounds, key=lambda bound: bound[0])
    step = deepest_step(clocks, active=active, temperature_c=temperature_c)
    if step is not None and step.by > 0:
        ratio -= step.by
        because += f", {step.by:g} lower from {units.show(step.at_c, units.TEMPERATURE)}"
    clock_mhz = None if clocks.reference_mhz is None else ratio * clocks.reference_mhz
    return Allowed(ratio=ratio, clock_mhz=clock_mhz, because=because)


def ceiling_of(clocks: Clocks, core: int) -> CoreCeiling | None:
    """The core's own ceiling."""
    return next((own for own in clocks.cores if own.core == core), None)


def vector_limit_at(clocks: Clocks, width: int) -> VectorLimit | None:
    """The entry of the widest registers that are no wider than these."""
    reached = (entry for entry in clocks.vector if entry.width <= width)
    return max(reached, key=lambda entry: entry.width, default=None)


def deepest_step(clocks: Clocks, *, active: int, temperature_c: float | None) -> StepDown | None:
    """Of the steps reached the one that lowers most; they do not add up."""
    if temperature_c is None:
        return None
    reached = (step for step in clocks.steps_down if temperature_c >= step.at_c and active >= step.active_cores)
    return max(reached, key=lambda step: step.by, default=None)


def _bounds(clocks: Clocks, core: int, active: int, width: int) -> Iterator[tuple[float, str]]:
    """Ratio and name of each limit that applies, before temperature."""
    enough = [entry for entry in clocks.limits if entry.active_cores >= active]
    if enough:
        group = min(enough, key=lambda entry: entry.active_cores)
        yield group.ratio, f"limit for up to {group.active_cores} active"
    own = ceiling_of(clocks, core)
    if own is not None:
        yield own.ratio, "the core's own ceiling"
    vector = vector_limit_at(clocks, width)
    ceiling = own.ratio if own is not None else max((entry.ratio for entry in clocks.limits), default=None)
    if vector is not None and ceiling is not None:
        whose = "the core's own" if own is not None else "the highest"
        yield ceiling - vector.below, f"{vector.width} bits: {vector.below:g} below {whose} ceiling"
