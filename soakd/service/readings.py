"""Present readings of every channel, as the guard would believe them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.model.channels import Batch, role_unit
from soakd.rules.health import Health
from soakd.sensors.sampler import read_safely
from soakd.service import bench

if TYPE_CHECKING:
    from soakd.clock import Clock

WARM_UP_S = 0.6


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
        return self.gap if self.value is None else f"{self.value:.4g} {self.unit}".strip()  # type: ignore[return-value]


class Watch:
    """Looks at the sources again and again."""

    def __init__(self, clock: Clock) -> None:
        bench.require_linux()
        self._clock = clock
        self._sources = bench.sources(clock)
        self._channels = bench.channels(self._sources, ())
        self._health = Health(self._channels)

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
            for c in self._channels
        ]
