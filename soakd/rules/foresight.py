"""Early warning: which temperature is going to break its limit within a minute, as far as its heating curve says so.

Of each channel two traces are kept, a short one and a long one. A curve is fitted to the longest part of them that it
follows to the end: heat that sets in anew, as when a pump fails, is seen in the short one first. A warning needs the
limit to lie below the curve by several standard errors, three looks in a row; on a reading that is steady, however
noisy, that does not happen.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from soakd import units
from soakd.model.finding import Finding
from soakd.rules.heating import FEWEST_POINTS, Heating, fit
from soakd.rules.trace import Trace

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from soakd.model.limits import Bound

HORIZON_S: Final = 60.0
LOOK_S: Final = 1.0
"""No two looks are nearer to each other."""
SURE: Final = 3.0
"""Standard errors by which the limit lies below what is expected at the horizon."""
LOOKS: Final = 3
"""In a row that see the same."""
OVER_K: Final = 2.0
"""An approach is over when its channel has cooled by so much; the next one is told again."""
MOST_FITS: Final = 2
"""Bounds that are looked at closely at one look: those that are nearest in time."""
_MOMENTS_S: Final = (15.0, 30.0, 45.0, HORIZON_S)
"""At which it is asked: near ones are known better, and far ones are further on."""
_POINTS: Final = 60
_SHORT_S, _LONG_S = 1.0, 5.0
_LONG_PARTS, _PARTS = (30,), (40, 28, 20)
"""Points of the shorter parts that are tried."""
_WELL: Final = 0.5
"""How much residuals may be alike on a curve that is followed well."""
_FEW: Final = 5
_SLACK_K_PER_S: Final = 0.05
"""Rise that a hasty look may miss."""
_CREEP_K_PER_S: Final = 1e-3
"""Slower is as good as steady."""
_SETTLED: Final = 10.0
"""Time constants after which nothing is left to come."""
_SETTLED_K: Final = 3.0
"""Standard error up to which it is said where a temperature would settle."""


@dataclass(slots=True)
class _Past:
    """One channel under the present load."""

    short: Trace = field(default_factory=lambda: Trace(span_s=_SHORT_S, most=_POINTS))
    long: Trace = field(default_factory=lambda: Trace(span_s=_LONG_S, most=_POINTS))

    def add(self, at_s: float, value: float) -> None:
        self.short.add(at_s, value)
        self.long.add(at_s, value)

    def clear(self) -> None:
        self.short.clear()
        self.long.clear()

    def hasty(self) -> tuple[float, float] | None:
        """The present temperature and its rise in K/s, roughly; a heating curve never rises faster later."""
        points = self.short.last(FEWEST_POINTS)
        if len(points) < FEWEST_POINTS:
            return None
        (now_s, now), (then_s, then) = _mean(points[-_FEW:]), _mean(points[-2 * _FEW : -_FEW])
        return now, (now - then) / (now_s - then_s)

    def heating(self) -> Heating | None:
        """The curve through the longest part of the past that it follows well, or else just follows; or None."""
        short, long = self.short.points(), self.long.points()
        second: Heating | None = None
        for part in (long, *(long[-count:] for count in _LONG_PARTS), short, *(short[-count:] for count in _PARTS)):
            curve = fit(part)
            if curve is None or not curve.follows:
                continue
            if curve.alike <= _WELL:
                return curve
            second = second or curve
        return second


@dataclass(slots=True)
class _Approach:
    """One bound's."""

    seen: int = 0
    """Looks in a row that saw it coming."""
    told_c: float | None = None
    """What the channel read when it was told of."""


class Foresight:
    """Feed it every reading, and look once at every tick. Silent between stages: nothing is loaded there."""

    def __init__(self, bounds: Sequence[Bound], *, stops: bool = False) -> None:
        """`stops`: the plan wants the load stopped at once, which the finding's weight says."""
        self._bounds = {
            number: bound
            for number, bound in enumerate(bounds)
            if bound.is_plain and bound.side != "below" and bound.unit == units.TEMPERATURE.base
        }
        self._stops = stops
        self._pasts = {bound.channel: _Past() for bound in self._bounds.values()}
        self._approaches = {number: _Approach() for number in self._bounds}
        self._loaded = False
        self._looked_s = float("-inf")

    def stage_begins(self) -> None:
        self._begin_anew(loaded=True)

    def stage_ends(self) -> None:
        self._begin_anew(loaded=False)

    def take(self, at_s: float, values: Mapping[str, float]) -> None:
        if self._loaded:
            for channel in self._pasts.keys() & values.keys():
                self._pasts[channel].add(at_s, values[channel])

    def look(self, now_s: float) -> list[Finding]:
        """What is coming and was not told of yet."""
        if not self._loaded or now_s - self._looked_s < LOOK_S:
            return []
        self._looked_s = now_s
        return [finding for number in self._nearest() if (finding := self._closely(number)) is not None]

    def _begin_anew(self, *, loaded: bool) -> None:
        self._loaded = loaded
        for past in self._pasts.values():
            past.clear()
        self._approaches = {number: _Approach() for number in self._bounds}

    def _nearest(self) -> list[int]:
        """The bounds that a straight line would reach first, within the horizon."""
        hasty = {channel: past.hasty() for channel, past in self._pasts.items()}
        near: list[tuple[float, int]] = []
        for number, bound in self._bounds.items():
            seen = hasty[bound.channel]
            approach = self._approaches[number]
            if seen is None:
                continue
            now_c, rise = seen
            if approach.told_c is not None and now_c < approach.told_c - OVER_K:
                approach.told_c = None
            ahead_k = bound.value - now_c
            if approach.told_c is not None or not 0.0 <= ahead_k <= (rise + _SLACK_K_PER_S) * HORIZON_S:
                approach.seen = 0
            else:
                near.append((ahead_k / max(rise, _CREEP_K_PER_S), number))
        return [number for _, number in sorted(near)[:MOST_FITS]]

    def _closely(self, number: int) -> Finding | None:
        bound, approach = self._bounds[number], self._approaches[number]
        curve = self._pasts[bound.channel].heating()
        if curve is None or not _is_coming(curve, bound.value):
            approach.seen = 0
            return None
        approach.seen += 1
        reached_s = curve.reaches_in_s(bound.value)
        if approach.seen < LOOKS or reached_s is None:
            return None
        approach.told_c = curve.now_c
        return self._ahead(number, bound, curve, reached_s)

    def _ahead(self, number: int, bound: Bound, curve: Heating, reached_s: float) -> Finding:
        stops = self._stops and bound.then == "stop"
        ending = "; the load stops before" if stops else ""
        return Finding(
            rule="limit-ahead",
            weight="inconclusive" if stops else "note",
            text=f"{bound.role}: {bound.channel} is at {curve.now_c:.1f} °C and will be {bound.text} "
            f"{_when(curve, reached_s)} ({bound.origin}){ending}",
            channel=bound.channel,
            sample=curve.now_c,
            bound=bound.value,
            unit=bound.unit,
            limit=number,
        )


def _is_coming(curve: Heating, limit_c: float) -> bool:
    """Sure to be beyond the limit at some moment up to the horizon."""
    return any(curve.after(s) - SURE * curve.unsure_k(s) > limit_c for s in _MOMENTS_S)


def _when(curve: Heating, reached_s: float) -> str:
    """How soon, how sure that is, and where it would end."""
    unsure_s = 2.0 * curve.unsure_s(reached_s)
    soonest, latest = max(0.0, reached_s - unsure_s), reached_s + unsure_s
    words = f"in {soonest:.0f} to {latest:.0f} s" if latest - soonest >= 1.0 else f"in {reached_s:.0f} s"
    settles_c = curve.settles_c
    if settles_c is not None and curve.unsure_k(_SETTLED / curve.bend_per_s) <= _SETTLED_K:
        words += f", on its way to {settles_c:.0f} °C"
    return words


def _mean(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    moments_s, values = zip(*points, strict=True)
    return sum(moments_s) / len(points), sum(values) / len(points)
