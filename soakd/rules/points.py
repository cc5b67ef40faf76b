"""The operating points that a sheet makes: cores × groups of active cores × register widths × steps down."""

from __future__ import annotations

from bisect import bisect_left
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from soakd.model.sheet import Clocks, StepDown


POINT_KINDS: Final = frozenset({"integer", "vector"})
"""Kinds of workload that hold a core at one point throughout; the others wait for memory or for other cores."""
SCALAR_BITS: Final = 64


class Point(NamedTuple):
    """One of them. Core numbers are physical, as in the sheet."""

    core: int
    active: int
    """The group, named by its largest number of active cores."""
    width: int
    """Register bits; 64 for scalar work."""
    step: int
    """0 when no step down is reached; else the last one reached, counted from 1 by rising temperature."""


def register_bits(instruction_class: str) -> int:
    """256 for "vector-256-fma"; 64 for "scalar"."""
    return SCALAR_BITS if instruction_class == "scalar" else int(instruction_class.split("-")[1])


def register_widths(classes: Mapping[str, Iterable[str]]) -> tuple[int, ...]:
    """The widths that a bench can be loaded in, narrowest first; `classes`: kernel to those that it has for it."""
    usable = (names for kernel, names in classes.items() if kernel.partition("/")[0] in POINT_KINDS)
    return tuple(sorted({register_bits(name) for names in usable for name in names}))


def widths_told_apart(clocks: Clocks) -> set[int]:
    """Scalar work, and the widths that have an entry of their own."""
    return {SCALAR_BITS, *(entry.width for entry in clocks.vector)}


def widths_to_visit(clocks: Clocks, here: Sequence[int]) -> tuple[int, ...]:
    """Of the widths that a bench has: those that the sheet tells apart, and the widest, which makes most heat."""
    return tuple(sorted(widths_told_apart(clocks) & set(here) | {max(here)}))


def groups(clocks: Clocks, cores: int) -> tuple[int, ...]:
    """The groups of active cores on so many cores, each named by its largest number; the last holds all cores.

    Without limits by active cores they are one core alone, and more than one.
    """
    declared = [entry.active_cores for entry in clocks.limits] or [1]
    return tuple(sorted({min(active, cores) for active in declared} | {cores}))


def steps(clocks: Clocks) -> tuple[StepDown, ...]:
    """Steps down by rising temperature; step n of a point is number n - 1 here."""
    return tuple(sorted(clocks.steps_down, key=lambda step: (step.at_c, step.by)))


def points(clocks: Clocks, *, cores: Sequence[int], widths: Sequence[int]) -> tuple[Point, ...]:
    """All that the sheet allows on these cores, by core, group, width and step."""
    named = groups(clocks, len(cores))
    reachable = {
        group: _steps_within(clocks, fewest + 1, group) for fewest, group in zip((0, *named), named, strict=False)
    }
    return tuple(
        Point(core, group, width, step)
        for core in sorted(cores)
        for group in named
        for width in sorted(widths)
        for step in reachable[group]
    )


def point_of(
    clocks: Clocks, *, core: int, active: int, width: int, temperature_c: float | None, cores: Sequence[int]
) -> Point:
    """The point that a core is at while so many of these cores are active; no step without a temperature."""
    named = groups(clocks, len(cores))
    group = named[min(bisect_left(named, active), len(named) - 1)]
    step = 0 if temperature_c is None else _last_reached(clocks, active, temperature_c)
    return Point(core, group, width, step)


def _last_reached(clocks: Clocks, active: int, temperature_c: float) -> int:
    return max(
        (
            number
            for number, step in enumerate(steps(clocks), start=1)
            if temperature_c >= step.at_c and active >= step.active_cores
        ),
        default=0,
    )


def _steps_within(clocks: Clocks, fewest: int, most: int) -> tuple[int, ...]:
    """The steps that can be the last one reached with so many active cores; always 0, below them all."""
    moments = {step.at_c for step in clocks.steps_down}
    reached = {_last_reached(clocks, active, moment_c) for active in range(fewest, most + 1) for moment_c in moments}
    return tuple(sorted({0} | reached))
