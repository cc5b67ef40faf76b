"""The limiter's own settings, each higher than the guard's, and what follows from what it did."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from soakd.model.finding import Finding
from soakd.rules.guard import SPARSEST_TICKS

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from soakd.model.channels import Channel
    from soakd.model.limits import Bound
    from soakd.model.plan import Plan

MARGIN_K = 3.0
"""Between the guard's limit and the limiter's; common practice, no source."""
EXTRA_HOLD_S = 1.0
"""How much longer the limiter waits: whoever is there to decide with reasons decides first."""
EXTRA_DARK_S = 2.0
WATCH_PATIENCE_S = 2.0
"""How long a limiter may show no sign of life before the guard ends the load."""
_LONGEST_GLANCE_S = 0.2
"""One look counts for no more than this, so that a pause of the whole machine is not blamed on the limiter."""
RULE = "limiter"


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """The limiter took the load away."""

    cause: Literal["guard-still", "too-hot", "dark"]
    channel: int
    """Place among its settings of the one that was broken."""
    reading_c: float
    held_s: float
    """How long the cause had lasted."""
    gone_s: float
    """From the decision to the last process of the crew gone."""
    survivors: int


def settings(bounds: Iterable[Bound], channels: Iterable[Channel], files: Collection[str]) -> tuple[Bound, ...]:
    """One for each limit on heat of the processor that the limiter can read by itself. `files`: channels that have one.

    Never above the sensor's own critical value, unless the plan's limit is there already.
    """
    critical = {c.name: c.critical for c in channels if c.critical is not None}
    return tuple(
        bound.model_copy(
            update={
                "side": "above",
                "low": None,
                "value": max(bound.value, min(bound.value + MARGIN_K, critical.get(bound.channel, float("inf")))),
                "hold_s": bound.hold_s + EXTRA_HOLD_S,
                "origin": f"the guard's limit of {bound.value:g} {bound.unit} and a margin",
            }
        )
        for bound in bounds
        if bound.stops_heat and bound.channel in files
    )


def dark_hold_s(plan: Plan) -> float:
    """How long a watched input may stay without a reading: longer than the guard bears it."""
    return max(plan.guard.gap_hold_s, SPARSEST_TICKS * plan.guard.tick_s) + EXTRA_DARK_S


def watched_text(own: Sequence[Bound]) -> str:
    """What it watches besides the guard, in words for the verdict."""
    if not own:
        return "the limiter watched only the guard: no processor temperature here that it could read by itself"
    values = sorted({bound.value for bound in own})
    span = " to ".join(f"{value:g}" for value in dict.fromkeys((values[0], values[-1])))
    names = own[0].channel if len(own) == 1 else f"{own[0].channel} and {len(own) - 1} more"
    return f"the limiter watched the guard, and {names} by itself (set to {span} °C)"


def armed_text(identity: str, timeout_s: int) -> str:
    """The hardware watchdog, in words for the verdict."""
    return f"the hardware watchdog ({identity}) was armed: it resets the machine {timeout_s} s after its last ping"


def acted(act: Act, own: Sequence[Bound]) -> Finding:
    """Heat that only the limiter answered fails the run; a guard that stood still, or a lost sensor, proves nothing."""
    if act.cause == "guard-still":
        text = f"the limiter took the load away: the guard's loop had stood still for {act.held_s:.1f} s"
        return Finding(rule=RULE, weight="inconclusive", text=text)
    bound = own[act.channel]
    if act.cause == "dark":
        text = f"the limiter took the load away: it had no reading of {bound.channel} for {act.held_s:.1f} s"
        return Finding(rule=RULE, weight="inconclusive", text=text, channel=bound.channel)
    return Finding(
        rule=RULE,
        weight="fail",
        text=f"the limiter took the load away, for the guard had not: {bound.channel} read {act.reading_c:.1f} °C, "
        f"above {bound.value:g} °C for {act.held_s:.1f} s ({bound.origin})",
        channel=bound.channel,
        sample=act.reading_c,
        bound=bound.value,
        unit=bound.unit,
    )


def lost(still_s: float) -> Finding:
    """The load never runs without its limiter."""
    text = f"the limiter gave no sign of life for {still_s:.1f} s: nothing is loaded here without it"
    return Finding(rule="limiter-lost", weight="inconclusive", text=text)


@dataclass(slots=True)
class Vigil:
    """The guard's watch over the limiter. Only time during which the guard itself was looking counts."""

    _beats: int = 0
    _still_s: float = 0.0
    _last_s: float | None = None

    def observe(self, beats: int, now_s: float) -> Finding | None:
        glance_s = 0.0 if self._last_s is None else min(now_s - self._last_s, _LONGEST_GLANCE_S)
        self._still_s = 0.0 if beats != self._beats else self._still_s + glance_s
        self._last_s, self._beats = now_s, beats
        return lost(self._still_s) if self._still_s >= WATCH_PATIENCE_S else None
