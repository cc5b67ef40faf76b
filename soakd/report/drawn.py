"""Values over equal parts of time as SVG path data: one unit wide for each part, HEIGHT high, nought at the top."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

HEIGHT: Final = 240
"""Finer than any screen draws it."""


def line(values: Sequence[float | None], low: float, high: float) -> str:
    """A stepped line, broken where there is no value."""
    return "".join(f"M{first} {levels[0]}{_steps(levels)}" for first, levels in _spells(_levels(values, low, high)))


def area(values: Sequence[float | None], low: float, high: float) -> str:
    """From the foot up to each value."""
    return "".join(
        f"M{first} {HEIGHT}V{levels[0]}{_steps(levels)}V{HEIGHT}z"
        for first, levels in _spells(_levels(values, low, high))
    )


def band(lows: Sequence[float | None], highs: Sequence[float | None], low: float, high: float) -> str:
    """Between two series that have values in the same parts."""
    tops, feet = _spells(_levels(highs, low, high)), _spells(_levels(lows, low, high))
    return "".join(
        f"M{first} {above[0]}{_steps(above)}V{below[-1]}{_steps(below[::-1], back=True)}z"
        for (first, above), (_, below) in zip(tops, feet, strict=True)
    )


def blocks(marked: Sequence[bool]) -> str:
    """The whole height of each part that is marked."""
    places = (list(spell) for on, spell in groupby(range(len(marked)), key=marked.__getitem__) if on)
    return "".join(f"M{spell[0]} 0h{len(spell)}v{HEIGHT}h-{len(spell)}z" for spell in places)


def _levels(values: Sequence[float | None], low: float, high: float) -> list[int | None]:
    """How far below the top; a value beyond the scale lies on its edge."""
    scale = HEIGHT / (high - low) if high > low else 0.0
    foot = HEIGHT if scale else HEIGHT // 2
    return [None if v is None else min(HEIGHT, max(0, foot - round((v - low) * scale))) for v in values]


def _spells(levels: list[int | None]) -> Iterator[tuple[int, list[int]]]:
    """Where each unbroken stretch begins, and its levels."""
    place = 0
    for known, group in groupby(levels, key=lambda level: level is not None):
        spell = list(group)
        if known:
            yield place, [level for level in spell if level is not None]
        place += len(spell)


def _steps(levels: list[int], *, back: bool = False) -> str:
    """Level by level; equal ones in one stroke."""
    path, before = "", levels[0]
    for level, spell in groupby(levels):
        across = sum(1 for _ in spell)
        path += f"{f'v{level - before}' if level != before else ''}h{-across if back else across}"
        before = level
    return path
