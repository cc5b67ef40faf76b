"""Readings that cannot be believed become gaps with a reason: missing data is not good data.

A channel that stands still is not suspect by itself: a coarse sensor under steady load may. It is suspect when it
showed one and the same value from before the load changed until long after, because no working processor sensor does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from soakd.model.channels import Role

if TYPE_CHECKING:
    from collections.abc import Iterable

    from soakd.model.channels import Batch, Channel

HOTTEST_LIMIT_C = 125.0
"""No limit on a processor may be above this; common practice, no source: desktop parts shut off before."""
FROZEN_AFTER_S = 30.0
"""How long after a change of load one unchanged processor temperature is still believed."""

_TEMPERATURES = frozenset(role for role in Role if role.value.endswith("-temperature"))
_CREDIBLE: dict[Role, tuple[float, float]] = {
    **dict.fromkeys(_TEMPERATURES, (-60.0, 150.0)),
    Role.FAN: (0.0, 50_000.0),
    Role.VOLTAGE: (-20.0, 20.0),
    Role.CURRENT: (-1_000.0, 2_000.0),
    Role.POWER: (-100.0, 5_000.0),
    Role.CORE_CLOCK: (0.0, 20_000.0),
    Role.PROBED_CLOCK: (1.0, 20_000.0),
}
"""Role to what a working sensor can say, far outside every real bench; common practice, no source."""


@dataclass(slots=True)
class _Stillness:
    value: float
    since_s: float
    load_changed_s: float | None = None
    """First change of load since then."""


@dataclass(slots=True)
class Health:
    """Sifts batches; remembers how long each channel has stood still, and since which change of load."""

    channels: Iterable[Channel]
    _roles: dict[str, Role] = field(init=False)
    _still: dict[str, _Stillness] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._roles = {channel.name: channel.role for channel in self.channels}

    def load_changed(self, now_s: float) -> None:
        for still in self._still.values():
            if still.load_changed_s is None:
                still.load_changed_s = now_s

    def sift(self, batch: Batch) -> Batch:
        """The batch with every incredible reading turned into a gap; unknown channels are dropped."""
        values: dict[str, float] = {}
        gaps = {name: reason for name, reason in batch.gaps.items() if name in self._roles}
        for name, value in batch.values.items():
            role = self._roles.get(name)
            if role is None:
                continue
            doubt = _incredible(role, value) or self._frozen(name, role, value, batch.at_s)
            if doubt:
                gaps[name] = doubt
            else:
                values[name] = value
        return replace(batch, values=values, gaps=gaps)

    def _frozen(self, name: str, role: Role, value: float, now_s: float) -> str | None:
        still = self._still.get(name)
        if still is None or still.value != value:
            self._still[name] = _Stillness(value, now_s)
            return None
        changed = still.load_changed_s
        if role is not Role.CPU_TEMPERATURE or changed is None:
            return None
        return "frozen: did not move when the load changed" if now_s - changed >= FROZEN_AFTER_S else None


def _incredible(role: Role, value: float) -> str | None:
    low, high = _CREDIBLE.get(role, (float("-inf"), float("inf")))
    return None if math.isfinite(value) and low <= value <= high else f"absurd: {value:g}"


def limitable(role: Role) -> tuple[float, float]:
    """Between which values a limit on a role makes sense; beyond them it would never fire, or always."""
    if role is Role.CPU_TEMPERATURE:
        return 0.0, HOTTEST_LIMIT_C
    return _CREDIBLE.get(role, (float("-inf"), float("inf")))
