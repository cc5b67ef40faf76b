"""A run's ticks as columns of numbers, bounded in memory however long it lasts."""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass, field
from typing import Final

MOST: Final = 120_000
"""A longer run keeps every second tick, then every fourth, and so on."""
_MOST_MISSING: Final = 0.05
"""Share of the readings that may be missing from a series; the last one stands for them."""


def _empty() -> array[float]:
    return array("d")


@dataclass(slots=True)
class Ticks:
    """One entry for each tick that is kept; NaN where something was not read."""

    stage: array[float] = field(default_factory=_empty)
    """-1 between stages."""
    at_s: array[float] = field(default_factory=_empty)
    core_c: array[float] = field(default_factory=_empty)
    coolant_c: array[float] = field(default_factory=_empty)
    ambient_c: array[float] = field(default_factory=_empty)
    power_w: array[float] = field(default_factory=_empty)
    amps: array[float] = field(default_factory=_empty)
    volts: array[float] = field(default_factory=_empty)
    clock_mhz: array[float] = field(default_factory=_empty)
    """The highest of the loaded cores."""
    operations: array[float] = field(default_factory=_empty)
    """Of the stage so far; so is the next."""
    busy_s: array[float] = field(default_factory=_empty)

    def thin(self) -> None:
        """Every second one goes."""
        for name in self.__slots__:
            setattr(self, name, getattr(self, name)[::2])

    def spans(self) -> dict[int, tuple[int, int]]:
        """Stage to the places of its ticks."""
        found: dict[int, tuple[int, int]] = {}
        for place, stage in enumerate(self.stage):
            if stage >= 0:
                found[int(stage)] = found.get(int(stage), (place, 0))[0], place + 1
        return found

    def part(self, begin: int, end: int, *, name: str) -> list[float]:
        """Readings with small gaps filled; empty where too many are missing."""
        values = getattr(self, name)[begin:end].tolist()
        missing = sum(map(math.isnan, values))
        if not missing:
            return list(values)
        if missing > _MOST_MISSING * len(values):
            return []
        last = next(value for value in values if not math.isnan(value))
        return [last := last if math.isnan(value) else value for value in values]
