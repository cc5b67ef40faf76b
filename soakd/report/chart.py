"""Charts with two axes: every place is a share of the drawing in %, so that text and marks keep their size.

What is drawn can be read back: `value_at` turns a place into the number that it stands for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

_TICKS: Final = 5
"""On the upright axis at most, but for one at either end."""
_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)
_LETTER: Final = 2.4
"""Room in % that a letter under the drawing takes on a narrow screen."""
SHAPES: Final = 4
"""That lines are told apart by, with or without colour."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One line: its points, and how they hang together."""

    name: str
    points: Sequence[tuple[float, float]]
    strokes: Sequence[tuple[float, float, float, float]] = ()
    """From x and value to x and value."""
    unmarked: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A series in its place; x grows to the right and y downwards, in %."""

    name: str
    shape: int
    spots: tuple[tuple[float, float], ...]
    strokes: tuple[tuple[float, float, float, float], ...]
    unmarked: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """All that a template needs."""

    title: str
    alternative: str
    across: str
    """What the level axis counts."""
    up: str
    """The unit of the upright one."""
    scale: tuple[tuple[float, str], ...]
    """Place from the top, and what stands there."""
    below: tuple[tuple[float, str], ...]
    lines: tuple[Line, ...]
    left: float
    right: float
    low: float
    high: float
    """What the edges stand for."""

    def value_at(self, x: float, y: float) -> tuple[float, float]:
        """What a place stands for: the number across, and the one upwards."""
        return self.left + (self.right - self.left) * x / 100.0, self.high - (self.high - self.low) * y / 100.0


def chart(
    series: Sequence[Series],
    *,
    title: str,
    alternative: str,
    across: str,
    up: str,
    ends: tuple[float, float],
    below: Iterable[tuple[float, str]],
    digits: int,
) -> Chart:
    """`ends`: of the level axis; `below`: what stands under it; `digits`: of the upright scale."""
    values = [value for one in series for _, value in one.points]
    low, high, step = _range(min(values), max(values), 10.0**-digits)
    left, right = ends

    def place(x: float, value: float) -> tuple[float, float]:
        return round(100.0 * (x - left) / (right - left), 4), round(100.0 * (high - value) / (high - low), 4)

    count = round((high - low) / step)
    return Chart(
        title=title,
        alternative=alternative,
        across=across,
        up=up,
        scale=tuple((place(left, low + step * n)[1], f"{low + step * n:.{digits}f}") for n in range(count + 1)),
        below=_spaced([(place(x, low)[0], text) for x, text in below]),
        lines=tuple(
            Line(
                name=one.name,
                shape=number % SHAPES,
                spots=tuple(place(x, value) for x, value in one.points),
                strokes=tuple((*place(x, v), *place(to_x, to_v)) for x, v, to_x, to_v in one.strokes),
                unmarked=one.unmarked,
            )
            for number, one in enumerate(series)
        ),
        left=left,
        right=right,
        low=low,
        high=high,
    )


def _spaced(below: Sequence[tuple[float, str]]) -> tuple[tuple[float, str], ...]:
    """Those that stand in nobody's way on a narrow screen; the last stays."""
    kept: list[tuple[float, str]] = []
    for x, text in reversed(below):
        if not kept or kept[-1][0] - x >= _LETTER * (len(text) + 1):
            kept.append((x, text))
    return tuple(reversed(kept))


def _range(least: float, most: float, finest: float) -> tuple[float, float, float]:
    """Round ends around the values, and the round step between the numbers of the scale."""
    wanted = max((most - least) / _TICKS, finest)
    power = 10.0 ** math.floor(math.log10(wanted) + 1e-9)
    step = next(power * factor for factor in _STEPS if power * factor >= wanted * (1.0 - 1e-9))
    low, high = math.floor(least / step + 1e-9) * step, math.ceil(most / step - 1e-9) * step
    return (low - step, high + step, step) if low == high else (low, high, step)
