"""What each bound is held against, worked out from readings as they come: the same for the guard, the evidence and the
screen. Bounded in memory, whatever a plan asks for: a rise keeps means, a count no more events than its bound.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from soakd.model.limits import HOUR_S, USUAL_WINDOW_S
from soakd.rules.board import STALE_FLOOR_S, STALE_TICKS
from soakd.rules.trace import FEWEST_POINTS, Trace, slope

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from soakd.model.limits import Bound

_PARTS = 30
"""Means that a rise is taken of."""
_FILLED = 0.8
"""Share of its time that must have passed before there is a rise."""
_TOGETHER_S = 1.0
"""Events that come within so short a time are kept as one entry."""
_HUNDRED = 100.0


class _Meter(Protocol):
    """Turns a channel's reading into what is measured; None while there is nothing to measure yet."""

    def take(self, at_s: float, reading: float) -> float | None: ...


class Gauges:
    """All bounds of a run. Feed it everything that is read, in order, and each stage."""

    def __init__(self, bounds: Sequence[Bound], tick_s: float) -> None:
        self._oldest_s = max(STALE_TICKS * tick_s, STALE_FLOOR_S)
        self._others: dict[str, tuple[float, float]] = {}
        self._wanted = frozenset(name for bound in bounds for name in bound.minus)
        self._shares: dict[int, _Share] = {}
        self._of: dict[str, list[tuple[int, Bound, _Meter | None, _Share | None]]] = {}
        for number, bound in enumerate(bounds):
            share = None if bound.share_percent is None else _Share(bound)
            if share is not None:
                self._shares[number] = share
            self._of.setdefault(bound.channel, []).append((number, bound, _meter(bound), share))

    def stage_begins(self, at_s: float, duration_s: float) -> None:
        for share in self._shares.values():
            share.begin(at_s, duration_s)

    def stage_ends(self) -> None:
        for share in self._shares.values():
            share.end()

    def take(self, at_s: float, values: Mapping[str, float]) -> dict[int, float]:
        """Number of each bound that there is something new for, and what is to be held against it."""
        for name in self._wanted & values.keys():
            self._others[name] = at_s, values[name]
        watched: dict[int, float] = {}
        for channel in self._of.keys() & values.keys():
            for number, bound, meter, share in self._of[channel]:
                measured = self._measured(bound, meter, at_s, values[channel])
                if measured is not None and share is not None:
                    measured = share.take(at_s, beyond=bound.beyond(measured))
                if measured is not None:
                    watched[number] = measured
        return watched

    def _measured(self, bound: Bound, meter: _Meter | None, at_s: float, reading: float) -> float | None:
        if meter is not None:
            return meter.take(at_s, reading)
        return self._difference(bound, at_s, reading) if bound.minus else reading

    def _difference(self, bound: Bound, at_s: float, reading: float) -> float | None:
        """From the other channel that makes it worst; none while one of them has no fresh reading."""
        known = [self._others[name] for name in bound.minus if name in self._others]
        others = [value for read_s, value in known if at_s - read_s <= self._oldest_s]
        if len(others) < len(bound.minus):
            return None
        return min((reading - other for other in (min(others), max(others))), key=bound.inside)


def _meter(bound: Bound) -> _Meter | None:
    if bound.measure == "rise":
        return _Rise(bound.over_s or USUAL_WINDOW_S)
    return _Count(bound.value) if bound.measure == "count" else None


class _Rise:
    """Units per minute over a window."""

    def __init__(self, over_s: float) -> None:
        self._over_s = over_s
        self._trace = Trace(span_s=over_s / _PARTS, most=_PARTS)

    def take(self, at_s: float, reading: float) -> float | None:
        self._trace.add(at_s, reading)
        recent = [point for point in self._trace.points() if at_s - point[0] <= self._over_s]
        if len(recent) < FEWEST_POINTS or recent[-1][0] - recent[0][0] < _FILLED * self._over_s:
            return None
        return 60.0 * slope(recent)


class _Count:
    """Events within the last hour, of a counter that shows all since some start."""

    def __init__(self, most: float) -> None:
        self._most = most
        self._last: float | None = None
        self._recent: deque[tuple[float, float]] = deque()
        self._sum = 0.0

    def take(self, at_s: float, reading: float) -> float:
        """A counter that is less than before was set back: what it shows now came since."""
        came = 0.0 if self._last is None else reading - self._last if reading >= self._last else reading
        self._last = reading
        if came and self._recent and at_s - self._recent[-1][0] < _TOGETHER_S:
            self._recent[-1] = self._recent[-1][0], self._recent[-1][1] + came
        elif came:
            self._recent.append((at_s, came))
        self._sum += came
        while self._recent and (at_s - self._recent[0][0] >= HOUR_S or self._sum - self._recent[0][1] > self._most):
            self._sum -= self._recent.popleft()[1]
        return self._sum


@dataclass(slots=True)
class _Share:
    """Share of a stage's planned time beyond a bound so far, in %. A reading stands until the next one."""

    bound: Bound
    _duration_s: float = 0.0
    _since_s: float | None = None
    """When the readings went beyond."""
    _spent_s: float = 0.0
    """In earlier spells that were long enough to count."""
    _on: bool = False

    def begin(self, at_s: float, duration_s: float) -> None:
        self._duration_s, self._spent_s, self._on = duration_s, 0.0, True
        self._since_s = None if self._since_s is None else at_s

    def end(self) -> None:
        self._on, self._since_s = False, None

    def take(self, at_s: float, *, beyond: bool) -> float | None:
        """None between stages."""
        if not self._on:
            return None
        spell_s = 0.0 if self._since_s is None else at_s - self._since_s
        counted_s = spell_s if spell_s >= self.bound.hold_s else 0.0
        if not beyond:
            self._spent_s, self._since_s, counted_s = self._spent_s + counted_s, None, 0.0
        elif self._since_s is None:
            self._since_s = at_s
        return _HUNDRED * (self._spent_s + counted_s) / self._duration_s
