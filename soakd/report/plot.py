"""Points on a grid of characters, with a scale at the left and marks below; no colour, no box characters needed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

ROWS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Points of one kind, drawn with one character. A later series is drawn over an earlier one."""

    mark: str
    points: Sequence[tuple[int, float]]
    """Column, from 0, and value."""


def plotted(
    series: Sequence[Series], *, columns: int, below: Iterable[tuple[int, str]], unit: str, digits: int
) -> list[str]:
    """The lines of a plot, `columns` wide beside its scale, which has so many digits after the point.

    `below`: texts under it, by the column of their middle.
    """
    values = [value for one in series for _, value in one.points]
    low, high = min(values), max(values)
    step = (high - low) / (ROWS - 1) or 1.0
    grid = [[" "] * columns for _ in range(ROWS)]
    for one in series:
        for column, value in one.points:
            grid[round((value - low) / step)][column] = one.mark
    rows: tuple[int, ...] = (0, ROWS // 2, ROWS - 1)
    if high == low:
        rows, grid = (0,), grid[:1]
    shown = {row: f"{low + step * row:.{digits}f}" for row in rows}
    margin = max(len(text) for text in shown.values())
    lines = [f"{shown.get(row, ''):>{margin}} |{''.join(cells)}".rstrip() for row, cells in enumerate(grid)][::-1]
    axis = [" "] * (columns + 8)
    for middle, text in below:
        start = max(0, middle - len(text) // 2)
        axis[start : start + len(text)] = text
    return [
        f"{unit:>{margin}}",
        *lines,
        f"{'':>{margin}} +{'-' * columns}",
        f"{'':>{margin}}  {''.join(axis)}".rstrip(),
    ]
