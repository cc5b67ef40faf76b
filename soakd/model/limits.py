"""A plan's limits made concrete for this bench: one bound on one channel."""

from __future__ import annotations

from typing import Literal

from soakd.model.base import Value
from soakd.model.channels import Role


class Bound(Value):
    """What the guard holds a channel's readings against."""

    channel: str
    role: Role
    side: Literal["above", "below"]
    value: float
    """In the role's unit."""
    unit: str
    hold_s: float
    origin: str
    """Where the value comes from, in words for the tuner."""

    def broken_by(self, reading: float) -> bool:
        return reading > self.value if self.side == "above" else reading < self.value

    def margin(self, reading: float) -> float:
        """What is left until the bound, in the role's unit; negative when it is broken."""
        return self.value - reading if self.side == "above" else reading - self.value
