"""A temperature above its surroundings as the answer to the power that was drawn: resistance and time constants.

Each first-order path answers a power P by C dT/dt = P - T / R, so T is R times the power as it arrives through a lag of
the time constant R C (textbook form; the thermal impedance of JESD51-1 is its answer to one step). The power that was
read is what drives the fit, so it may change: heating up, cooling down and a leakage that grows with the heat are all
answers to it. For given time constants the model is linear in everything else, so only they are searched for
(G. Golub, V. Pereyra, "variable projection", 1973; from memory), by Gauss-Newton steps over their logarithms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import count as count_from
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from soakd.model.measured import Estimate, HeatPath
from soakd.rules.least_squares import solve

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.rules.least_squares import Solution

FEWEST_POINTS: Final = 40
MOST_POINTS: Final = 1200
"""Longer runs are taken as means of equal pieces."""
_STARTS: Final = 9
_STEPS: Final = 12
_LONGEST_STEP: Final = 0.7
_SMALLEST_STEP: Final = 1e-4
_WORTH: Final = 2.0
"""A second time constant stays if it takes away the squares of so many readings (H. Akaike, 1974; from memory): without
one that is there, the other numbers are off by more than they state."""
_MOST_ALIKE: Final = 0.98
_SURE: Final = 0.25
"""Standard error over value up to which a shorter time constant is told."""
_STILL_SHORTER: Final = 0.05
"""Of a shorter time constant: standard error, as a share, for what those that are shorter still add to it. On virtual
benches without any scatter it is 1 to 5 % too long."""


@dataclass(frozen=True, slots=True)
class Points:
    """Spans of time, oldest first: how long, the mean power in them, the mean of the readings over the surroundings."""

    spans_s: list[float]
    readings: list[int]
    """How many; the last one at the span's end."""
    powers_w: list[float]
    above_k: list[float]


def points(moments_s: Sequence[float], powers_w: Sequence[float], above_k: Sequence[float]) -> Points:
    """From readings: each speaks of the time since the one before; the first only says where it began."""
    count = len(moments_s) - 1
    size = max(1, -(-count // MOST_POINTS))
    found = Points([], [], [], [])
    for begin in range(1, count + 1, size):
        end = min(begin + size, count + 1)
        spans = [moments_s[n] - moments_s[n - 1] for n in range(begin, end)]
        found.spans_s.append(sum(spans))
        found.readings.append(end - begin)
        found.powers_w.append(sum(s * powers_w[n] for s, n in zip(spans, range(begin, end), strict=True)) / sum(spans))
        found.above_k.append(sum(above_k[begin:end]) / (end - begin))
    return found


def fit(data: Points, *, known_ambient: bool, step_k: float = 0.0) -> HeatPath | None:
    """The path that answers so; None where the readings do not tell it, as in a run of one power throughout.

    Without a known ambient `above_k` is the temperature itself; the surroundings are fitted too. `step_k`: the finest
    step of the readings; it counts where they scatter by less than half of it, for then it does not average out.
    """
    if len(data.spans_s) < FEWEST_POINTS:
        return None
    search = _Search(data, known_ambient=known_ambient)
    whole_s = sum(data.spans_s)
    shortest_s = 2.0 * whole_s / len(data.spans_s)
    starts = [shortest_s * (whole_s / shortest_s) ** (n / (_STARTS - 1)) for n in range(_STARTS)]
    one = search.best([(tau_s,) for tau_s in starts])
    if one is None:
        return None
    two = search.best([(one.constants_s[0], one.constants_s[0] / by) for by in (4.0, 15.0, 40.0)])
    most = one.squares * (1.0 - _WORTH / len(data.spans_s))
    if two is not None and two.squares <= most and min(two.constants_s) > 0.0:
        return two.path(step_k)
    return one.path(step_k)


class _Search:
    """Over the time constants, everything else following from them."""

    def __init__(self, data: Points, *, known_ambient: bool) -> None:
        self._data = data
        self._known = known_ambient
        low_k = 0.0 if known_ambient else min(data.above_k)
        self.span_k = max(abs(above_k - low_k) for above_k in data.above_k)
        """From the surroundings, or from the lowest reading where those are not known."""

    def best(self, starts: Sequence[tuple[float, ...]]) -> _Fitted | None:
        """From the best of some starts on."""
        tried = [each for each in map(self.at, starts) if each is not None]
        if not tried:
            return None
        now = min(tried, key=lambda each: each.squares)
        for _ in range(_STEPS):
            steps = now.steps()
            if steps is None or max(map(abs, steps)) < _SMALLEST_STEP:
                break
            shrink = min(1.0, _LONGEST_STEP / max(map(abs, steps)))
            for _ in range(5):
                ahead = self.at(tuple(s * math.exp(shrink * d) for s, d in zip(now.constants_s, steps, strict=True)))
                if ahead is not None and ahead.squares < now.squares:
                    break
                shrink /= 3.0
            else:
                break
            now = ahead
        return now

    def at(self, constants_s: tuple[float, ...]) -> _Fitted | None:
        columns = self._columns(constants_s)
        solution = solve(columns, self._data.above_k)
        if solution is None:
            return None
        return _Fitted(self, constants_s, columns, solution, self._known)

    def slopes(self, fitted: _Fitted) -> list[list[float]]:
        """How the fit moves with the logarithm of each time constant, all else held."""
        found = []
        for place, tau_s in enumerate(fitted.constants_s):
            sides = []
            for by in (1.0 + 1e-4, 1.0 - 1e-4):
                moved = (*fitted.constants_s[:place], tau_s * by, *fitted.constants_s[place + 1 :])
                sides.append(_combined(self._columns(moved), fitted.solution.coefficients))
            found.append([(up - down) / 2e-4 for up, down in zip(*sides, strict=True)])
        return found

    def _columns(self, constants_s: tuple[float, ...]) -> list[list[float]]:
        """The power through each lag; what was in each when it began, going away; the surroundings where unknown."""
        columns = [self._lagged(tau_s) for tau_s in constants_s]
        columns += [self._fading(tau_s) for tau_s in constants_s]
        return columns if self._known else [*columns, [1.0] * len(self._data.spans_s)]

    def _lagged(self, tau_s: float) -> list[float]:
        """It begins at rest under the first power."""
        state, found = self._data.powers_w[0], []
        for power_w, (left, mean_left) in zip(self._data.powers_w, self._fades(tau_s), strict=True):
            found.append(power_w + (state - power_w) * mean_left)
            state = power_w + (state - power_w) * left
        return found

    def _fading(self, tau_s: float) -> list[float]:
        state, found = 1.0, []
        for left, mean_left in self._fades(tau_s):
            found.append(state * mean_left)
            state *= left
        return found

    def _fades(self, tau_s: float) -> list[tuple[float, float]]:
        """What is left at each span's end of what was there at its beginning, and at its readings in the mean."""
        known: dict[tuple[float, int], tuple[float, float]] = {}
        for span_s, count in zip(self._data.spans_s, self._data.readings, strict=True):
            if (span_s, count) not in known:
                between, whole = -math.expm1(-span_s / count / tau_s), -math.expm1(-span_s / tau_s)
                known[span_s, count] = 1.0 - whole, (1.0 - between) * whole / (count * between)
        return [known[pair] for pair in zip(self._data.spans_s, self._data.readings, strict=True)]


@dataclass(frozen=True, slots=True)
class _Fitted:
    """The best fit with some time constants."""

    search: _Search
    constants_s: tuple[float, ...]
    columns: list[list[float]]
    solution: Solution
    known_ambient: bool

    @property
    def squares(self) -> float:
        return self.solution.squares

    def steps(self) -> list[float] | None:
        """Where the logarithms of the time constants should go."""
        ahead = solve([*self.columns, *self.search.slopes(self)], self.solution.residuals)
        return None if ahead is None else ahead.coefficients[len(self.columns) :]

    def path(self, step_k: float) -> HeatPath | None:
        count, residuals = len(self.constants_s), self.solution.residuals
        slopes = self.search.slopes(self)
        places = sorted(range(count), key=lambda place: -self.constants_s[place])
        ahead = solve([*self.columns, *(slopes[place] for place in places)], residuals)
        told = places if ahead else places[:1]  # a second one may be too short to be told
        ahead = ahead or solve([*self.columns, slopes[places[0]]], residuals)
        freedom = len(residuals) - len(self.columns) - count
        if ahead is None or freedom < 1 or not _sound(ahead.inverse, count):
            return None
        variance, alike = self.squares / freedom, likeness(residuals)

        def estimate(value: float, share: float, unseen: float = 0.0) -> Estimate:
            sd = math.hypot(math.sqrt(variance * alike * share), unseen)
            return Estimate(value=value, sd=sd, freedom=max(1.0, freedom / alike))

        resistance_kw = sum(self.solution.coefficients[:count])
        of_resistance = sum(ahead.inverse[i][j] for i in range(count) for j in range(count))
        noise_k, unseen_kw = math.sqrt(variance), 0.0
        if noise_k < step_k / 2.0 and self.search.span_k:
            unseen_kw = step_k / math.sqrt(12.0) * resistance_kw / self.search.span_k
        constants_s = [
            estimate(tau_s := self.constants_s[place], tau_s**2 * ahead.inverse[column][column], mixed * tau_s)
            for column, place, mixed in zip(count_from(len(self.columns)), told, (0.0, _STILL_SHORTER), strict=False)
        ]
        ambient, last = None, len(self.columns) - 1
        if not self.known_ambient:
            ambient = estimate(self.solution.coefficients[last], ahead.inverse[last][last])
        shorter_s = next((each for each in constants_s[1:] if each.sd <= _SURE * each.value), None)
        return HeatPath(
            resistance_kw=estimate(resistance_kw, of_resistance, unseen_kw),
            constant_s=constants_s[0],
            shorter_s=shorter_s,
            ambient_c=ambient,
            noise_k=noise_k,
        )


def _combined(columns: Sequence[Sequence[float]], coefficients: Sequence[float]) -> list[float]:
    return [sum(c * x for c, x in zip(coefficients, row, strict=True)) for row in zip(*columns, strict=True)]


def _sound(inverse: Sequence[Sequence[float]], count: int) -> bool:
    """Whether variances come out of it: none is negative, nor that of the sum of the first `count`."""
    whole = sum(inverse[i][j] for i in range(count) for j in range(count))
    return min(whole, *(inverse[i][i] for i in range(len(inverse)))) >= 0.0


def likeness(residuals: Sequence[float]) -> float:
    """How much more their variance counts than if they were independent: (1 + ρ) / (1 - ρ), first-order process."""
    squares = sum(r * r for r in residuals)
    like = sum(a * b for a, b in pairwise(residuals))
    alike = min(_MOST_ALIKE, max(0.0, like / squares)) if squares else 0.0
    return (1.0 + alike) / (1.0 - alike)
