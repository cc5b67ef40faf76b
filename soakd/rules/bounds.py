"""From a plan's limits to concrete bounds on this bench's channels, or a refusal that a tuner can act on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from soakd import units
from soakd.errors import RefusedError
from soakd.model.channels import ROLE_DIMENSIONS, Role
from soakd.model.limits import Bound
from soakd.rules.health import limitable, steepest

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from soakd.model.channels import Channel
    from soakd.model.limits import Limit, Measure
    from soakd.model.plan import Plan

CONSERVATIVE_CPU_LIMIT_C = 85.0
"""When neither plan nor sensor states one. Common practice, no source: below every desktop throttle point."""
FEWEST_TICKS = 6
"""That a rise is measured over."""
MOST_EVENTS = 1e6
"""In an hour; a bench with more has no limit that could help it."""


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
        for name in (limit.of, limit.minus or ""):
            if name in silent:
                raise RefusedError(f"limit on {limit.of}: {name} cannot be read now: {silent[name]}")
        _refuse_too_slow(plan, limit)
        targets = _named(limit.of, readable)
        if not targets:
            cautions.append(_nothing_to_watch(plan, limit, readable))
        bounds += [_bound(limit, channel, _others(limit, channel, readable)) for channel in targets]
    processor = [channel for channel in readable if channel.role is Role.CPU_TEMPERATURE]
    if not processor:
        cautions += _without_temperature(plan)
    elif not any(bound.stops_heat for bound in bounds):
        bounds += [_default_bound(channel, plan.guard.temperature_margin_k) for channel in processor]
    compared = {name for bound in bounds for name in bound.minus}
    watched = {bound.role for bound in bounds} | {channel.role for channel in readable if channel.name in compared}
    cautions += [
        f"{channel.name} cannot be read, so nothing watches it: {silent[channel.name]}"
        for channel in channels
        if channel.name in silent and channel.role in watched
    ]
    cautions += _above_critical(bounds, channels)
    return tuple(bounds), tuple(dict.fromkeys(cautions))


def _named(name: str | None, channels: Sequence[Channel]) -> list[Channel]:
    """The channels of a role, or the one channel with that name."""
    return [channel for channel in channels if name in (channel.role.value, channel.name)]


def _refuse_too_slow(plan: Plan, limit: Limit) -> None:
    """Raises RefusedError for times in which the limit could never be broken, or would see nothing but noise."""
    longest_s, of = plan.duration_s, "the whole plan"
    if limit.share_percent is not None:
        longest_s, of = max(stage.duration_s for stage in plan.stages), "the plan's longest stage"
    if limit.hold_s > longest_s:
        lasts = units.duration_text(longest_s)
        raise RefusedError(f"limit on {limit.of}: its hold is longer than {of} ({lasts}), so it can never be broken")
    if limit.rises is None:
        return
    over, lasts = units.duration_text(limit.window_s), units.duration_text(plan.duration_s)
    if limit.window_s > plan.duration_s:
        raise RefusedError(f"limit on {limit.of}: a rise over {over} is never known in a plan of {lasts}")
    least_s = FEWEST_TICKS * plan.guard.tick_s
    if limit.window_s < least_s:
        raise RefusedError(
            f"limit on {limit.of}: a rise over {over} is noise at this plan's tick",
            hint=f"{FEWEST_TICKS} ticks are the least: over = {units.show(least_s, units.TIME)}, or a shorter tick",
        )


def _others(limit: Limit, channel: Channel, channels: Sequence[Channel]) -> list[Channel]:
    """The channels that are taken away from this one. Raises RefusedError for none, or for one of another kind."""
    if limit.minus is None:
        return []
    found = [other for other in _named(limit.minus, channels) if other.name != channel.name]
    if not found:
        raise RefusedError(
            f"limit on {limit.of}: minus {limit.minus}: this bench has no such role or channel to compare with",
            hint=f"{_roles(channels)}; `soakd sensors list` shows every channel",
        )
    own = ROLE_DIMENSIONS[channel.role]
    strange = next((other for other in found if ROLE_DIMENSIONS[other.role] is not own), None)
    if strange is not None:
        kinds = [getattr(ROLE_DIMENSIONS[role], "name", "yes or no") for role in (channel.role, strange.role)]
        raise RefusedError(f"limit on {limit.of}: {channel.name} is a {kinds[0]} and {strange.name} a {kinds[1]}")
    return found


def _bound(limit: Limit, channel: Channel, others: Sequence[Channel]) -> Bound:
    own = ROLE_DIMENSIONS[channel.role]
    if own is None:
        raise RefusedError(f"limit on {limit.of}: {channel.name} says only yes or no and cannot be limited")
    if channel.role is Role.PROBED_CLOCK:
        raise RefusedError(f"limit on {limit.of}: the probed clock is recorded and cannot be limited in this version")
    try:
        limit.refuse_for(own)
        dimension = limit.dimension_for(own)
        values = [units.parse(text, dimension) for text in limit.outside or (limit.bound_text,)]
    except ValueError as error:
        raise RefusedError(f"limit on {limit.of}: {channel.name} is a {own.name}: {error}") from error
    low, high = _reachable(limit, channel, others)
    for value in values:
        if not low <= value <= high:
            span = f"between {low:g} and {high:g}" if low > float("-inf") else f"up to {high:g}"
            raise RefusedError(
                f"limit on {limit.of}: {units.show(value, dimension)} can never be reached by a working sensor",
                hint=f"a limit on {_kind(limit, channel)} lies {span} {dimension.base}",
            )
    side: Literal["above", "below", "outside"] = (
        "outside" if limit.outside is not None else "below" if limit.below is not None else "above"
    )
    return Bound(
        channel=channel.name,
        role=channel.role,
        side=side,
        value=values[-1],
        low=values[0] if side == "outside" else None,
        unit=dimension.base,
        hold_s=limit.hold_s,
        origin="plan",
        measure=_measure(limit),
        minus=tuple(other.name for other in others),
        minus_of=limit.minus or "",
        over_s=limit.window_s if limit.rises is not None else None,
        share_percent=limit.share_percent,
        then=limit.then,
    )


def _measure(limit: Limit) -> Measure:
    if limit.minus is not None:
        return "difference"
    return "rise" if limit.rises is not None else "count" if limit.per_hour is not None else "reading"


def _reachable(limit: Limit, channel: Channel, others: Sequence[Channel]) -> tuple[float, float]:
    """What a working sensor can make of this limit's measure; what is faster or further is not believed."""
    low, high = limitable(channel.role)
    if others:
        spans = [limitable(other.role) for other in others]
        return low - max(span[1] for span in spans), high - min(span[0] for span in spans)
    if limit.rises is not None:
        return 0.0, steepest(channel.role, limit.window_s)
    return (0.0, MOST_EVENTS) if limit.per_hour is not None else (low, high)


def _kind(limit: Limit, channel: Channel) -> str:
    """What is limited, in words for a refusal."""
    if limit.minus is not None:
        return f"{channel.role} minus {limit.minus}"
    if limit.rises is not None:
        return f"the rise of {channel.role} over {units.duration_text(limit.window_s)}"
    return f"what {channel.role} counts in an hour" if limit.per_hour is not None else channel.role.value


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
    raise RefusedError(
        f"limit on {limit.of}: this bench has no such role or channel",
        hint=f"{_roles(channels)}; `soakd sensors list` shows every channel",
    )


def _roles(channels: Iterable[Channel]) -> str:
    return f"roles here: {', '.join(sorted({c.role.value for c in channels})) or 'none at all'}"


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
        if b.side != "below" and b.measure == "reading" and b.channel in critical and b.value > critical[b.channel]
    ]
