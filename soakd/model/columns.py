"""A run's ticks as columns of numbers, as they are kept: one float32 for each channel."""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.model.journal import Tick
    from soakd.model.run import ChannelInfo

NO_STAGE = -1


@dataclass(slots=True, kw_only=True)
class Columns:
    """One entry for each tick; readings tick by tick, NaN where there is none."""

    channels: Sequence[ChannelInfo]
    at_s: array[float] = field(default_factory=lambda: array("d"))
    stage: array[int] = field(default_factory=lambda: array("h"))
    """NO_STAGE between stages."""
    readings: array[float] = field(default_factory=lambda: array("f"))
    rounds: array[int] = field(default_factory=lambda: array("q"))
    """Of the stage so far, all workers together."""
    thinned: bool = False
    """Retention has taken ticks away; extremes and the first gaps are left."""

    def take(self, tick: Tick) -> None:
        row = array("f", (tick.values.get(channel.name, math.nan) for channel in self.channels))
        self.add(tick.at_s, tick.stage, row, sum(totals.rounds for totals in tick.workers))

    def add(self, at_s: float, stage: int | None, row: array[float], rounds: int) -> None:
        """A row has a reading for each channel."""
        self.at_s.append(at_s)
        self.stage.append(NO_STAGE if stage is None else stage)
        self.readings.extend(row)
        self.rounds.append(rounds)

    def column(self, number: int) -> array[float]:
        """All readings of a channel."""
        return self.readings[number :: len(self.channels)]
