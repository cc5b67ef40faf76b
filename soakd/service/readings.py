"""Present readings of every channel, as the guard would believe them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.errors import UsageError
from soakd.model.channels import Batch, Role, role_unit
from soakd.rules.health import Health
from soakd.sensors.sampler import read_safely
from soakd.service import bench

if TYPE_CHECKING:
    from soakd.clock import Clock

WARM_UP_S = 0.6
_DECIMALS = {"°C": 1, "V": 3, "A": 2, "W": 1, "%": 1}
"""Unit to the decimals worth showing; none for the others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One channel now."""

    name: str
    role: str
    unit: str
    value: float | None
    gap: str | None
    critical: float | None

    @property
    def text(self) -> str:
        """The reading without its unit; empty for a gap."""
        if self.value is None:
            return ""
        if self.role == Role.MAINS:
            return "yes" if self.value else "no"
        return self._number(self.value)

    @property
    def critical_text(self) -> str:
        return "" if self.critical is None else self._number(self.critical)

    def _number(self, value: float) -> str:
        return f"{value:.{_DECIMALS.get(self.unit, 0)}f}"


class Watch:
    """Looks at the sources again and again."""

    def __init__(self, clock: Clock, *, of: str = "") -> None:
        """`of` keeps the channels with that role or with that text in their name.

        Raises UsageError when there is none.
        """
        bench.require_linux()
        self._clock = clock
        self._sources = bench.sources(clock)
        self._channels = bench.channels(self._sources, ())
        self._health = Health(self._channels)
        self._shown = [c for c in self._channels if not of or of == c.role.value or of.lower() in c.name.lower()]
        if of and not self._shown:
            roles = ", ".join(sorted({c.role.value for c in self._channels})) or "none at all"
            raise UsageError(f"{of}: no channel here has this role or name", hint=f"roles here: {roles}")

    def warm_up(self) -> None:
        """Shares of time need two reads: make the first one, and wait."""
        self.look()
        self._clock.sleep(WARM_UP_S)

    def look(self) -> list[Shown]:
        values: dict[str, float] = {}
        gaps: dict[str, str] = {}
        for source in self._sources:
            raw_values, raw_gaps = read_safely(source)
            batch = Batch(source=source.name, at_s=self._clock.monotonic(), values=raw_values, gaps=raw_gaps)
            sound = self._health.sift(batch)
            values |= sound.values
            gaps |= sound.gaps
        return [
            Shown(
                name=c.name,
                role=c.role.value,
                unit=role_unit(c.role),
                value=values.get(c.name),
                gap=None if c.name in values else gaps.get(c.name, "no reading"),
                critical=c.critical,
            )
            for c in self._shown
        ]


def by_importance(shown: list[Shown]) -> list[Shown]:
    """What watches the processor first; within a role in the order of the sources."""
    order = {role.value: number for number, role in enumerate(Role)}
    return sorted(shown, key=lambda each: order[each.role])
