"""Readings that cannot be believed become gaps with a reason: missing data is not good data.

A channel that stands still is not suspect by itself: a coarse sensor under steady load may, a fan runs at one speed, a
controlled coolant keeps its temperature, and a virtual machine may show a constant for its board. A processor's own
sensor is suspect when it did not move from before the load changed until long after, because no working one does; one
that a virtual machine makes up is caught by that too, and rightly: it guards nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from soakd.model.channels import FOR_NOW, Role
from soakd.rules.stillness import Stillness

if TYPE_CHECKING:
    from collections.abc import Iterable

    from soakd.model.channels import Batch, Channel

HOTTEST_LIMIT_C = 125.0
"""No limit on a processor may be above this; common practice, no source: desktop parts shut off before."""

_TEMPERATURES = frozenset(role for role in Role if role.value.endswith("-temperature"))
_SOME = (0.0, float("inf"))
_CREDIBLE: dict[Role, tuple[float, float]] = {
    **dict.fromkeys(_TEMPERATURES, (-60.0, 150.0)),
    Role.PUMP: (0.0, 50_000.0),
    Role.COOLANT_FLOW: (0.0, 10_000.0),
    Role.FAN: (0.0, 50_000.0),
    Role.VOLTAGE: (-20.0, 20.0),
    Role.CURRENT: (-1_000.0, 2_000.0),
    Role.PACKAGE_POWER: (0.01, 2_000.0),
    Role.POWER: (-100.0, 5_000.0),
    Role.CORE_CLOCK: (0.0, 20_000.0),
    Role.ACCELERATOR_CLOCK: (0.0, 20_000.0),
    Role.PROBED_CLOCK: (1.0, 20_000.0),
    Role.MACHINE_CHECKS: _SOME,
    Role.UNCORRECTED_MEMORY_ERRORS: _SOME,
    Role.CORRECTED_MEMORY_ERRORS: _SOME,
    Role.THROTTLE_EVENTS: _SOME,
    Role.THROTTLED_TIME: _SOME,
    Role.KERNEL_REPORTS: _SOME,
}
"""Role to what a working sensor can say, far outside every real bench; common practice, no source. A package that reads
its own power draws some."""
_FASTEST: dict[Role, tuple[float, float]] = {
    Role.CPU_TEMPERATURE: (80.0, 20.0),
    Role.BOARD_TEMPERATURE: (40.0, 10.0),
    Role.DRIVE_TEMPERATURE: (40.0, 10.0),
    Role.MEMORY_TEMPERATURE: (10.0, 5.0),
    Role.COOLANT_TEMPERATURE: (5.0, 5.0),
    Role.AMBIENT_TEMPERATURE: (5.0, 5.0),
}
"""Role to the step in K that its sensor may make at once, and what may be added a second; common practice, no source.

300 W through 0.25 K/W between die and heat spreader is 75 K within a tenth of a second, so a processor may well step
so far. A power stage or a drive's controller has a die too, and less power. 1 kW warms half a litre of water (2.1 kJ/K)
by 0.5 K a second; what a pump pushes past the sensor when it starts may be some K warmer. What other sensors sit on is
not known, and they may do as they like.
"""
DOUBTS = ("absurd", "jumped", "frozen")
"""First word of the reasons that are given here; the sources give all others."""


@dataclass(slots=True)
class Health:
    """Sifts batches; remembers what each channel said last, and how a processor's followed the load."""

    channels: Iterable[Channel]
    _roles: dict[str, Role] = field(init=False)
    _still: dict[str, Stillness] = field(init=False)
    _last: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Moment and value of the last reading that was believed."""

    def __post_init__(self) -> None:
        self._roles = {channel.name: channel.role for channel in self.channels}
        self._still = {name: Stillness() for name, role in self._roles.items() if role is Role.CPU_TEMPERATURE}

    def load_changed(self, now_s: float, *, everywhere: bool = False) -> None:
        """A stage begins after the bench was at rest; `everywhere`: on all cores."""
        for still in self._still.values():
            still.load_changed(now_s, everywhere=everywhere)

    def sift(self, batch: Batch) -> Batch:
        """The batch with every incredible reading turned into a gap; unknown channels are dropped."""
        values: dict[str, float] = {}
        gaps = {name: reason for name, reason in batch.gaps.items() if name in self._roles}
        for name, value in batch.values.items():
            role = self._roles.get(name)
            if role is None:
                continue
            doubt = self._doubt(name, role, value, batch.at_s)
            if doubt:
                gaps[name] = doubt
            else:
                values[name] = value
                self._last[name] = batch.at_s, value
        remarks = {name: text for name, text in batch.remarks.items() if name in self._roles}
        return replace(batch, values=values, gaps=gaps, remarks=remarks)

    def _doubt(self, name: str, role: Role, value: float, now_s: float) -> str | None:
        absurd = _incredible(role, value)
        if absurd:
            return absurd
        still = self._still.get(name)
        frozen = still.frozen(value, now_s) if still is not None else None
        return frozen or self._jump(name, role, value, now_s)

    def _jump(self, name: str, role: Role, value: float, now_s: float) -> str | None:
        """Against the last reading that was believed, so that a sensor which stays where it went is soon believed."""
        if role not in _FASTEST or name not in self._last:
            return None
        step_k, rate_k_per_s = _FASTEST[role]
        then_s, before = self._last[name]
        change_k = value - before
        if abs(change_k) <= step_k + rate_k_per_s * (now_s - then_s):
            return None
        return f"jumped: {change_k:+.0f} K at once, faster than this can warm or cool"


def _incredible(role: Role, value: float) -> str | None:
    low, high = _CREDIBLE.get(role, (float("-inf"), float("inf")))
    return None if math.isfinite(value) and low <= value <= high else f"absurd: {value:g}"


def health_word(gap: str | None) -> str:
    """good, soon (another reading is needed), gap (the source says why), or what makes the reading doubtful."""
    if gap is None:
        return "good"
    word = gap.partition(":")[0]
    return "soon" if gap.startswith(FOR_NOW) else word if word in DOUBTS else "gap"


def steepest(role: Role, over_s: float) -> float:
    """The fastest rise over such a time that is believed, units per minute; infinite for most roles."""
    step_k, rate_k_per_s = _FASTEST.get(role, (0.0, float("inf")))
    return 60.0 * (rate_k_per_s + step_k / over_s)


def limitable(role: Role) -> tuple[float, float]:
    """Between which values a limit on a role makes sense; beyond them it would never fire, or always."""
    if role is Role.CPU_TEMPERATURE:
        return 0.0, HOTTEST_LIMIT_C
    return _CREDIBLE.get(role, (float("-inf"), float("inf")))
