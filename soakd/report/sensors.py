"""Every channel as it is now: what it reads, how it does, what limit it has, and its last hour as a small strip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from soakd import units
from soakd.model.channels import Role
from soakd.report.drawn import band, line
from soakd.rules.health import health_word

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from soakd.model.limits import Bound
    from soakd.rules.thinning import Thinned

_NOTHING: Final = "–"
_MEANINGS: Final = {
    "good": "read, and credible",
    "soon": "another reading is needed",
    "gap": "gives no reading",
    "absurd": "reads what cannot be",
    "jumped": "changed faster than it can",
    "frozen": "stood still while the load changed",
}
"""Health to what it means."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelNow:
    """One channel, its newest reading or why there is none, and its minutes of the last hour."""

    name: str
    role: str
    unit: str
    critical: float | None
    value: float | None
    gap: str | None
    minutes: Thinned
    bounds: tuple[Bound, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorRow:
    """One channel in words."""

    name: str
    reading: str
    health: str
    why: str
    """Why there is no reading; else empty."""
    limits: tuple[str, ...]
    critical: str
    """The sensor's own critical value; else empty."""
    hour: str
    """The hour in numbers."""
    top: str
    foot: str
    band: str
    mean: str

    @property
    def meaning(self) -> str:
        return _MEANINGS[self.health]


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorGroup:
    """Channels of one role."""

    role: str
    unit: str
    rows: tuple[SensorRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorsView:
    """All that is shown."""

    groups: tuple[SensorGroup, ...]
    shown: int
    known: int
    silent: tuple[tuple[str, str], ...]
    """Channels that give no reading, with the reason."""

    @property
    def saying(self) -> str:
        """12 channels, 2 of them without a reading"""
        told = f"{self.known} channel{'s' if self.known != 1 else ''}"
        silent = f", {len(self.silent)} of them without a reading" if self.silent else ", each with a reading"
        return told + silent if self.known else "no channel"


def sensors_view(channels: Sequence[ChannelNow], of: str = "") -> SensorsView:
    """What watches the processor first. `of` keeps those with that text in their name or role."""
    order = {role.value: number for number, role in enumerate(Role)}
    wanted = of.strip().lower()
    shown = [each for each in channels if wanted in each.name.lower() or wanted in each.role]
    by_role: dict[str, list[ChannelNow]] = {}
    for each in sorted(shown, key=lambda each: order.get(each.role, len(order))):
        by_role.setdefault(each.role, []).append(each)
    groups = tuple(
        SensorGroup(role=role, unit=together[0].unit, rows=tuple(map(_row, together)))
        for role, together in by_role.items()
    )
    silent = tuple((each.name, each.gap or "no reading") for each in channels if each.value is None)
    return SensorsView(groups=groups, shown=len(shown), known=len(channels), silent=silent)


def _row(channel: ChannelNow) -> SensorRow:
    unit, minutes = channel.unit, channel.minutes
    lows, highs = [v for v in minutes.low if v is not None], [v for v in minutes.high if v is not None]
    low, high = min(lows, default=0.0), max(highs, default=0.0)
    hour = "nothing read in the last hour"
    if lows and low == high:
        hour = f"{_reading(low, channel)} all the time"
    elif lows:
        hour = f"{units.reading_text(low, unit)} to {units.reading_text(high, unit)}"
    return SensorRow(
        name=channel.name,
        reading=_NOTHING if channel.value is None else _reading(channel.value, channel),
        health=health_word(channel.gap if channel.value is None else None),
        why=channel.gap or "no reading" if channel.value is None else "",
        limits=tuple(_limits(channel.bounds)),
        critical="" if channel.critical is None else units.reading_text(channel.critical, unit),
        hour=hour,
        top=units.reading_text(high, unit) if low < high else "",
        foot=units.reading_text(low, unit) if low < high else "",
        band=band(minutes.low, minutes.high, low, high) if low < high else "",
        mean=line(minutes.mean, low, high) if lows else "",
    )


def _reading(value: float, channel: ChannelNow) -> str:
    if channel.role == Role.MAINS.value:
        return "yes" if value else "no"
    return units.reading_text(value, channel.unit)


def _limits(bounds: Iterable[Bound]) -> Iterable[str]:
    for bound in bounds:
        others = f" minus {bound.minus_of}" if bound.minus else ""
        hold = f" for {units.duration_text(bound.hold_s)}" if bound.hold_s else ""
        yield f"{bound.says}{others}{hold} ({bound.origin})"
