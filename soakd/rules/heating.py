"""The heating curve of one channel, T(t) = T_inf - (T_inf - T_0) e^(-t/tau), fitted to its recent past.

The first-order step of a heat path (textbook form). Written around the last moment, s seconds from it, as
T(s) = v + g (1 - e^(-k s)) / k with the temperature v and the rise g of that moment and k = 1/tau: the same curve with
T_inf = v + g/k, in numbers that can be told apart also where only a piece of it was seen. Where k = 0 it is a straight
line.

For a given k the curve is linear in v and g, so least squares need a search along k alone (G. Golub, V. Pereyra,
"variable projection", 1973; from memory). Readings far off the curve are left out, and what follows is said with its
standard error from the usual linearised covariance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from operator import mul
from statistics import median
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

FEWEST_POINTS: Final = 12
_BENDS: Final = (0.0, 0.5, 1.0, 2.0, 3.0, 4.5, 6.5, 10.0)
"""k times the time that is seen: from a straight line to a curve that has settled long ago."""
_GOLDEN: Final = (math.sqrt(5.0) - 1.0) / 2.0
_STEPS: Final = 26
_FAR: Final = 5.0
"""Standard deviations from the curve, as the median of the residuals gives them, at which a reading is left out."""
_OF_NORMAL: Final = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""
_ROUNDS: Final = 3
_LEAST_NOISE_K: Final = 0.01
_MOST_ALIKE: Final = 0.9
_TAILS: Final = (3, 10)
"""Of so many last points, also of those that were left out, the mean must lie on a curve that is to be followed beyond
them."""
_TAIL_SURE: Final = 3.0
_FLAT: Final = 1e-3

Points = list[tuple[float, float]]
_Row = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Heating:
    """A fitted curve; `s` counts seconds from its last reading."""

    now_c: float
    rise_k_per_s: float
    bend_per_s: float
    """1/tau; 0 of a straight line."""
    covariance: tuple[_Row, _Row, _Row] | None
    """Of the three numbers above; None where they cannot be told apart."""
    noise_k: float
    """Standard deviation of the readings from the curve."""
    alike: float
    """How much a residual is like the one before, 0 to 0.9: so much less do many readings tell."""
    follows: bool
    """The last readings lie on it: what comes next may be read from it."""

    def after(self, s: float) -> float:
        """°C."""
        return self.now_c + self.rise_k_per_s * _way(self.bend_per_s, s)

    def unsure_k(self, s: float) -> float:
        """Standard error of that."""
        if self.covariance is None:
            return math.inf
        slopes = (1.0, _way(self.bend_per_s, s), self.rise_k_per_s * _way_by_bend(self.bend_per_s, s))
        terms = (
            one * self.covariance[row][column] * other
            for row, one in enumerate(slopes)
            for column, other in enumerate(slopes)
        )
        return math.sqrt(max(0.0, sum(terms)) * (1.0 + self.alike) / (1.0 - self.alike))

    @property
    def settles_c(self) -> float | None:
        """Where it ends; None of a straight line."""
        return self.now_c + self.rise_k_per_s / self.bend_per_s if self.bend_per_s else None

    def reaches_in_s(self, limit_c: float) -> float | None:
        """Seconds from the last reading until the curve is there; None when it never will be."""
        ahead_k = limit_c - self.now_c
        if ahead_k <= 0.0:
            return 0.0
        if self.rise_k_per_s <= 0.0:
            return None
        if not self.bend_per_s:
            return ahead_k / self.rise_k_per_s
        left = 1.0 - self.bend_per_s * ahead_k / self.rise_k_per_s
        return -math.log(left) / self.bend_per_s if left > 0.0 else None

    def unsure_s(self, s: float) -> float:
        """Standard error of a moment that was read from the curve."""
        slope = self.rise_k_per_s * math.exp(-self.bend_per_s * s)
        return self.unsure_k(s) / slope if slope > 0.0 else math.inf


def fit(points: Points) -> Heating | None:
    """The curve through these moments and temperatures, oldest first; None for too few."""
    kept = points
    for _ in range(_ROUNDS):
        if len(kept) < FEWEST_POINTS or kept[-1][0] <= kept[0][0]:
            return None
        search = _Search(kept, points[-1][0])
        rough = search.curve(search.bends()[search.best_bend()])
        far = _FAR * _OF_NORMAL * median(map(abs, rough.residuals)) + _LEAST_NOISE_K
        inside = [point for point, off in zip(kept, rough.residuals, strict=True) if abs(off) <= far]
        if len(inside) == len(kept):
            break
        kept = inside
    if len(kept) < FEWEST_POINTS or kept[-1][0] <= kept[0][0]:
        return None
    return _Search(kept, points[-1][0]).finest().heating(points)


class _Search:
    """Along k, the best v and g following from each."""

    def __init__(self, points: Points, now_s: float) -> None:
        self._moments_s = [at_s - now_s for at_s, _ in points]
        self._mean = sum(value for _, value in points) / len(points)
        self._offs = [value - self._mean for _, value in points]
        self._total = sum(off * off for off in self._offs)

    def bends(self) -> list[float]:
        seen_s = self._moments_s[-1] - self._moments_s[0]
        return [bend / seen_s for bend in _BENDS]

    def best_bend(self) -> int:
        """Place of the best among a few."""
        squares = [self._squares(bend) for bend in self.bends()]
        return squares.index(min(squares))

    def finest(self) -> _Curve:
        """Of a few values of k the best, and then by golden section between its neighbours."""
        bends, place = self.bends(), self.best_bend()
        low, high = bends[max(0, place - 1)], bends[min(len(bends) - 1, place + 1)]
        left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        at_left, at_right = self._squares(left), self._squares(right)
        for _ in range(_STEPS):
            if at_left < at_right:
                high, right, at_right = right, left, at_left
                left = high - _GOLDEN * (high - low)
                at_left = self._squares(left)
            else:
                low, left, at_left = left, right, at_right
                right = low + _GOLDEN * (high - low)
                at_right = self._squares(right)
        tried = {left: at_left, right: at_right, bends[place]: self._squares(bends[place])}
        return self.curve(min(tried, key=lambda bend: tried[bend]))

    def curve(self, bend_per_s: float) -> _Curve:
        mean_way, across, spread, with_off = self._moments(bend_per_s)
        rise = with_off / spread
        residuals = [off - rise * each for each, off in zip(across, self._offs, strict=True)]
        return _Curve(self._moments_s, bend_per_s, self._mean - rise * mean_way, rise, residuals)

    def _squares(self, bend_per_s: float) -> float:
        """What is left of the squares on the best line over the way that the curve has gone."""
        _, _, spread, with_off = self._moments(bend_per_s)
        return self._total - with_off * with_off / spread

    def _moments(self, bend_per_s: float) -> tuple[float, list[float], float, float]:
        ways = [_way(bend_per_s, s) for s in self._moments_s]
        mean_way = sum(ways) / len(ways)
        across = [way - mean_way for way in ways]
        return mean_way, across, sum(map(mul, across, across)), sum(map(mul, across, self._offs))


@dataclass(frozen=True, slots=True)
class _Curve:
    """The best v and g for one k."""

    moments_s: Sequence[float]
    bend_per_s: float
    now_c: float
    rise_k_per_s: float
    residuals: list[float]

    def heating(self, points: Points) -> Heating:
        """`points`: all there are."""
        squares = sum(off * off for off in self.residuals)
        variance = max(squares / (len(self.residuals) - 3), _LEAST_NOISE_K**2)
        like = sum(one * other for one, other in zip(self.residuals, self.residuals[1:], strict=False))
        return Heating(
            now_c=self.now_c,
            rise_k_per_s=self.rise_k_per_s,
            bend_per_s=self.bend_per_s,
            covariance=self._covariance(variance),
            noise_k=math.sqrt(variance),
            alike=min(_MOST_ALIKE, max(0.0, like / squares)) if squares else 0.0,
            follows=all(self._follows(points[-tail:], points[-1][0], variance) for tail in _TAILS),
        )

    def _follows(self, tail: Points, now_s: float, variance: float) -> bool:
        off = sum(value - self.now_c - self.rise_k_per_s * _way(self.bend_per_s, at_s - now_s) for at_s, value in tail)
        return abs(off) <= _TAIL_SURE * math.sqrt(variance * len(tail))

    def _covariance(self, variance: float) -> tuple[_Row, _Row, _Row] | None:
        rows = [
            (1.0, _way(self.bend_per_s, s), self.rise_k_per_s * _way_by_bend(self.bend_per_s, s))
            for s in self.moments_s
        ]
        return _inverse([[sum(row[i] * row[j] for row in rows) for j in range(3)] for i in range(3)], variance)


def _way(bend_per_s: float, s: float) -> float:
    """(1 - e^(-k s)) / k."""
    return -math.expm1(-bend_per_s * s) / bend_per_s if bend_per_s else s


def _way_by_bend(bend_per_s: float, s: float) -> float:
    """Its derivative by k."""
    x = bend_per_s * s
    if abs(x) < _FLAT:
        return s * s * (x / 3.0 - 0.5)
    return (s * math.exp(-x) - _way(bend_per_s, s)) / bend_per_s


def _inverse(m: Sequence[Sequence[float]], times: float) -> tuple[_Row, _Row, _Row] | None:
    """Of a symmetric matrix of three rows, times a number; None when it has none."""
    (a, b, c), (_, d, e), (_, _, f) = m
    minors = (d * f - e * e, c * e - b * f, b * e - c * d, a * f - c * c, b * c - a * e, a * d - b * b)
    determinant = a * minors[0] + b * minors[1] + c * minors[2]
    if determinant <= 0.0:
        return None
    aa, ab, ac, bb, bc, cc = (times * minor / determinant for minor in minors)
    return (aa, ab, ac), (ab, bb, bc), (ac, bc, cc)
