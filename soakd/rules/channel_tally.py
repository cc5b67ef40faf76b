"""One channel over a whole run: its extremes, its gaps, and the least that was left to any of its bounds."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from soakd.model.verdict import ChannelSummary

if TYPE_CHECKING:
    from soakd.model.limits import Bound
    from soakd.model.run import ChannelInfo


@dataclass(slots=True)
class ChannelTally:
    """Tell it of each reading and gap; ask for the summary at any time."""

    info: ChannelInfo
    bounds: tuple[Bound, ...]
    readings: int = 0
    total: float = 0.0
    minimum: float = float("inf")
    maximum: float = float("-inf")
    last: float | None = None
    nearest_margin: float = float("inf")
    gap_reasons: dict[str, int] = field(default_factory=dict)

    def value(self, value: float) -> None:
        self.readings += 1
        self.total += value
        self.minimum = min(self.minimum, value)
        self.maximum = max(self.maximum, value)
        self.last = value
        for bound in self.bounds:
            self.nearest_margin = min(self.nearest_margin, bound.margin(value))

    def gap(self, reason: str) -> None:
        self.gap_reasons[reason] = self.gap_reasons.get(reason, 0) + 1

    def summary(self) -> ChannelSummary:
        known = self.readings > 0
        return ChannelSummary(
            name=self.info.name,
            role=self.info.role,
            unit=self.info.unit,
            readings=self.readings,
            gaps=sum(self.gap_reasons.values()),
            gap_reasons=self.gap_reasons,
            minimum=self.minimum if known else None,
            mean=self.total / self.readings if known else None,
            maximum=self.maximum if known else None,
            last=self.last,
            nearest_margin=self.nearest_margin if known and self.bounds else None,
        )
