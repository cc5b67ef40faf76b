"""From a plan's limits to concrete bounds on this bench's channels, and the watch over them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from soakd import units
from soakd.errors import RefusedError
from soakd.model.channels import ROLE_DIMENSIONS, Role, role_unit
from soakd.model.finding import Finding
from soakd.model.limits import Bound
from soakd.rules.health import limitable

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from soakd.model.channels import Batch, Channel
    from soakd.model.plan import Limit, Plan

CONSERVATIVE_CPU_LIMIT_C = 85.0
"""When neither plan nor sensor states one. Common practice, no source: below every desktop throttle point."""


def resolve(
    plan: Plan, channels: Sequence[Channel], unreadable: Mapping[str, str] | None = None
) -> tuple[tuple[Bound, ...], tuple[str, ...]]:
    """Bounds for this bench, and what the tuner must be told before the start.

    `unreadable`: channels that give no reading now, with the reason; they are not watched, and that is said.
    Raises RefusedError when a limit names something that this bench does not have or that could never be broken, or
    when a bench without any processor temperature is to run a plan that requires one.
    """
    silent = unreadable or {}
    readable = [channel for channel in channels if channel.name not in silent]
    bounds: list[Bound] = []
    cautions: list[str] = []
    for limit in plan.limits:
        targets = [channel for channel in readable if limit.of in (channel.role.value, channel.name)]
        if limit.of in silent:
            raise RefusedError(f"limit on {limit.of}: it cannot be read now: {silent[limit.of]}")
        if not targets:
            cautions.append(_nothing_to_watch(plan, limit, readable))
        bounds += [_bound(limit, channel) for channel in targets]
    processor = [channel for channel in readable if channel.role is Role.CPU_TEMPERATURE]
    if not processor:
        cautions += _without_temperature(plan)
    elif not any(b.role is Role.CPU_TEMPERATURE and b.side == "above" for b in bounds):
        bounds += [_default_bound(channel, plan.guard.temperature_margin_k) for channel in processor]
    watched = {bound.role for bound in bounds}
    cautions += [
        f"{channel.name} cannot be read, so nothing watches it: {silent[channel.name]}"
        for channel in channels
        if channel.name in silent and channel.role in watched
    ]
    cautions += _above_critical(bounds, channels)
    return tuple(bounds), tuple(dict.fromkeys(cautions))


def _bound(limit: Limit, channel: Channel) -> Bound:
    dimension = ROLE_DIMENSIONS[channel.role]
    if dimension is None:
        raise RefusedError(f"limit on {limit.of}: {channel.name} says only yes or no and cannot be limited")
    if channel.role is Role.PROBED_CLOCK:
        raise RefusedError(f"limit on {limit.of}: the probed clock is recorded and cannot be limited in this version")
    try:
        value = units.parse(limit.bound_text, dimension)
    except ValueError as error:
        raise RefusedError(f"limit on {limit.of}: {channel.name} is a {dimension.name}: {error}") from error
    low, high = limitable(channel.role)
    if not low <= value <= high:
        raise RefusedError(
            f"limit on {limit.of}: {limit.bound_text} can never be reached by a working sensor",
            hint=f"a limit on {channel.role} lies between {low:g} and {high:g} {dimension.base}",
        )
    return Bound(
        channel=channel.name,
        role=channel.role,
        side=limit.side,
        value=value,
        unit=dimension.base,
        hold_s=limit.hold_s,
        origin="plan",
    )


def _default_bound(channel: Channel, margin_k: float) -> Bound:
    if channel.critical is None:
        value, origin = CONSERVATIVE_CPU_LIMIT_C, "conservative default: the sensor states no critical value"
    else:
        value = channel.critical - margin_k
        origin = f"the sensor's critical {channel.critical:g} °C less {margin_k:g} K"
    return Bound(
        channel=channel.name,
        role=channel.role,
        side="above",
        value=value,
        unit="°C",
        hold_s=0.0,
        origin=origin,
    )


def _nothing_to_watch(plan: Plan, limit: Limit, channels: Sequence[Channel]) -> str:
    if limit.of == Role.CPU_TEMPERATURE.value:
        _without_temperature(plan)
        return f"the plan's limit on {limit.of} watches nothing: no such sensor here"
    known = ", ".join(sorted({c.role.value for c in channels})) or "none at all"
    raise RefusedError(
        f"limit on {limit.of}: this bench has no such role or channel",
        hint=f"roles here: {known}; `soakd sensors list` shows every channel",
    )


def _without_temperature(plan: Plan) -> list[str]:
    if plan.guard.temperature == "required":
        raise RefusedError(
            "no processor temperature can be read on this bench, and the plan requires one; nothing was started",
            hint='only where heat is watched some other way: [guard] temperature = "if-available" in the plan',
        )
    return ["processor temperature is NOT observed on this bench: no limit on heat can stop this run"]


def _above_critical(bounds: Iterable[Bound], channels: Iterable[Channel]) -> list[str]:
    critical = {c.name: c.critical for c in channels if c.critical is not None}
    return [
        f"the limit of {b.value:g} {b.unit} on {b.channel} is above the sensor's own critical {critical[b.channel]:g}"
        for b in bounds
        if b.side == "above" and b.channel in critical and b.value > critical[b.channel]
    ]


@dataclass(slots=True)
class BoundWatch:
    """Remembers since when each bound has been broken without a break."""

    bounds: tuple[Bound, ...]
    _since: dict[int, float] = field(default_factory=dict)

    def observe(self, batch: Batch) -> list[Finding]:
        """Findings for every bound whose hold time is over. A gap neither breaks a bound nor mends it."""
        found = []
        for number, bound in enumerate(self.bounds):
            reading = batch.values.get(bound.channel)
            if reading is None:
                continue
            if not bound.broken_by(reading):
                self._since.pop(number, None)
                continue
            since = self._since.setdefault(number, batch.at_s)
            if batch.at_s - since >= bound.hold_s:
                found.append(breach(bound, reading, held_s=batch.at_s - since))
        return found


def breach(bound: Bound, reading: float, *, held_s: float) -> Finding:
    held = f" for {held_s:.1f} s" if bound.hold_s else ""
    return Finding(
        rule="limit-broken",
        weight="fail",
        text=f"{bound.role}: {bound.channel} read {reading:.1f} {bound.unit}, {bound.side} "
        f"{bound.value:g} {bound.unit}{held} ({bound.origin})",
        channel=bound.channel,
        sample=reading,
        bound=bound.value,
        unit=role_unit(bound.role),
    )
