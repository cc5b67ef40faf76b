"""What every channel last said, and when that is no longer good enough."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from soakd.model.channels import Batch, Channel, Role

STALE_TICKS = 3.0
STALE_FLOOR_S = 1.0
"""Readings may be this old even on a fast grid: drivers cache for about a second."""


@dataclass(slots=True)
class Board:
    """Latest value or gap per channel."""

    channels: Iterable[Channel]
    tick_s: float
    _roles: dict[str, Role] = field(init=False)
    _values: dict[str, tuple[float, float]] = field(default_factory=dict)
    _gaps: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._roles = {channel.name: channel.role for channel in self.channels}

    def post(self, batch: Batch) -> None:
        for name, value in batch.values.items():
            self._values[name] = (batch.at_s, value)
            self._gaps.pop(name, None)
        self._gaps.update(batch.gaps)

    def read(self, now_s: float) -> tuple[dict[str, float], dict[str, str]]:
        """A fresh value or the reason for a gap, for every channel there is."""
        oldest = now_s - max(STALE_TICKS * self.tick_s, STALE_FLOOR_S)
        values: dict[str, float] = {}
        gaps: dict[str, str] = {}
        for name in self._roles:
            at_s, value = self._values.get(name, (float("-inf"), 0.0))
            if name in self._gaps:
                gaps[name] = self._gaps[name]
            elif at_s >= oldest:
                values[name] = value
            else:
                gaps[name] = "no new reading" if at_s > float("-inf") else "no reading yet"
        return values, gaps

    def of_role(self, values: dict[str, float], role: Role) -> dict[str, float]:
        return {name: value for name, value in values.items() if self._roles[name] is role}
