"""Present readings of every channel, as the guard would believe them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.errors import UsageError
from soakd.model.channels import Batch, Role, role_unit
from soakd.rules.assigned import strangers
from soakd.rules.bounds import resolve
from soakd.rules.health import Health, health_word
from soakd.sensors.sampler import read_safely
from soakd.service import bench
from soakd.service.plugins import troubles

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from soakd.clock import Clock
    from soakd.model.configuration import Plugin
    from soakd.model.limits import Bound
    from soakd.model.plan import Plan

WARM_UP_S = 0.6
_DECIMALS = {"°C": 1, "V": 3, "A": 2, "W": 1, "%": 1, "s": 1}
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
    """The sensor's own."""
    limits: tuple[str, ...] = ()
    """Of the plan that was asked for."""

    @property
    def health(self) -> str:
        """As `health_word` has it."""
        return health_word(self.gap)

    @property
    def text(self) -> str:
        """The reading; empty for a gap."""
        if self.value is None:
            return ""
        if self.role == Role.MAINS:
            return "yes" if self.value else "no"
        return self._quantity(self.value)

    @property
    def critical_text(self) -> str:
        return "" if self.critical is None else self._quantity(self.critical)

    def _quantity(self, value: float) -> str:
        return f"{value:.{_DECIMALS.get(self.unit, 0)}f} {self.unit}"


class Watch:
    """Looks at the sources again and again."""

    def __init__(
        self,
        clock: Clock,
        *,
        of: str = "",
        roles: Mapping[str, Role] | None = None,
        plugins: Sequence[Plugin] = (),
    ) -> None:
        """`of` keeps the channels with that role or with that text in their name; `roles`: what the tuner says of some.

        `plugins`: of the configuration; one that is broken is told and not shown.

        Raises UsageError when there is none, RefusedError for a role that a channel cannot have.
        """
        bench.require_linux()
        self._clock = clock
        self._sources = bench.sources(clock, plugins)
        self._channels = bench.channels(self._sources, (), roles)
        self.cautions = [*troubles(self._sources), *strangers(self._channels, roles or {})]
        """What the tuner should know of his plugins, and of the roles that he gave."""
        self._limits: dict[str, tuple[str, ...]] = {}
        self._health = Health(self._channels)
        self._shown = [c for c in self._channels if not of or of == c.role.value or of.lower() in c.name.lower()]
        if of and not self._shown:
            known = ", ".join(sorted({c.role.value for c in self._channels})) or "none at all"
            raise UsageError(f"{of}: no channel here has this role or name", hint=f"roles here: {known}")

    def warm_up(self) -> None:
        """Shares of time need two reads: make the first one, and wait."""
        self.look()
        self._clock.sleep(WARM_UP_S)

    def hold_against(self, plan: Plan) -> None:
        """Show the plan's limits beside the readings. Raises RefusedError for one that this bench cannot keep."""
        bounds, cautions = resolve(plan, self._channels, bench.unreadable(self._sources, self._channels))
        self.cautions += cautions
        self._limits = {
            c.name: tuple(_limit(bound) for bound in bounds if bound.channel == c.name) for c in self._channels
        }

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
                limits=self._limits.get(c.name, ()),
            )
            for c in self._shown
        ]


def _limit(bound: Bound) -> str:
    """In the row of its channel; that it stops the load is not said."""
    others = f" minus {bound.minus_of}" if bound.minus else ""
    return f"{bound.text}{others}" + ("" if bound.then == "stop" else f" ({bound.then})")


def by_importance(shown: list[Shown]) -> list[Shown]:
    """What watches the processor first; within a role in the order of the sources."""
    order = {role.value: number for number, role in enumerate(Role)}
    return sorted(shown, key=lambda each: order[each.role])
