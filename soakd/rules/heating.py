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
    kept, curve = points, None
    for _ in range(_ROUNDS):
        if len(kept) < FEWEST_POINTS or kept[-1][0] <= kept[0][0]:
            return None
        curve = _Curve.best([at_s - points[-1][0] for at_s, _ in kept], [value for _, value in kept])
        far = _FAR * _OF_NORMAL * median(map(abs, curve.residuals)) + _LEAST_NOISE_K
        inside = [point for point, off in zip(kept, curve.residuals, strict=True) if abs(off) <= far]
        if len(inside) == len(kept):
            break
        kept = inside
    return None if curve is None else curve.heating(points)


@dataclass(frozen=True, slots=True)
class _Curve:
    """The best v and g for one k."""

    moments_s: Sequence[float]
    bend_per_s: float
    now_c: float
    rise_k_per_s: float
    residuals: list[float]
    squares: float

    @classmethod
    def best(cls, moments_s: Sequence[float], values: Sequence[float]) -> _Curve:
        """Of a few values of k the best, and then by golden section between its neighbours."""
        seen_s = moments_s[-1] - moments_s[0]
        tried = [cls._at(bend / seen_s, moments_s, values) for bend in _BENDS]
        place = min(range(len(tried)), key=lambda number: tried[number].squares)
        low, high = tried[max(0, place - 1)].bend_per_s, tried[min(len(tried) - 1, place + 1)].bend_per_s
        left = cls._at(high - _GOLDEN * (high - low), moments_s, values)
        right = cls._at(low + _GOLDEN * (high - low), moments_s, values)
        for _ in range(_STEPS):
            if left.squares < right.squares:
                high, right = right.bend_per_s, left
                left = cls._at(high - _GOLDEN * (high - low), moments_s, values)
            else:
                low, left = left.bend_per_s, right
                right = cls._at(low + _GOLDEN * (high - low), moments_s, values)
        return min((left, right, tried[place]), key=lambda curve: curve.squares)

    @classmethod
    def _at(cls, bend_per_s: float, moments_s: Sequence[float], values: Sequence[float]) -> _Curve:
        """A straight line over the way that the curve has gone at each moment."""
        ways = [_way(bend_per_s, s) for s in moments_s]
        count = len(ways)
        mean_way, mean = sum(ways) / count, sum(values) / count
        across = [way - mean_way for way in ways]
        spread = sum(each * each for each in across)
        rise = sum(each * (value - mean) for each, value in zip(across, values, strict=True)) / spread
        residuals = [value - mean - rise * each for each, value in zip(across, values, strict=True)]
        squares = sum(off * off for off in residuals)
        return cls(moments_s, bend_per_s, mean - rise * mean_way, rise, residuals, squares)

    def heating(self, points: Points) -> Heating:
        """`points`: all there are."""
        variance = max(self.squares / (len(self.residuals) - 3), _LEAST_NOISE_K**2)
        like = sum(one * other for one, other in zip(self.residuals, self.residuals[1:], strict=False))
        return Heating(
            now_c=self.now_c,
            rise_k_per_s=self.rise_k_per_s,
            bend_per_s=self.bend_per_s,
            covariance=self._covariance(variance),
            noise_k=math.sqrt(variance),
            alike=min(_MOST_ALIKE, max(0.0, like / self.squares)) if self.squares else 0.0,
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
