"""Tails of the gamma, beta and Student distributions, and the places where a tail has a given weight.

Tails by series and continued fraction (NIST Digital Library of Mathematical Functions 8.11.4, 8.9.2 and 8.17.22, the
fractions by Lentz's method; from memory). Places by Newton's method on the logarithm of a tail over ln x for gamma and
over ln(x / (1 - x)) for beta: there it is concave, so that every step after the first comes nearer from the same side,
however small the tail.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

_EPSILON: Final = 1e-16
_TINY: Final = 1e-300
_LARGE_SHAPE: Final = 16.0
"""From here on the gamma function is taken by its asymptotic series (Stirling), whose digits do not cancel."""
_MOST_TERMS: Final = 1_000_000
_LAST_STEP: Final = 1e-9
"""Steps shrink quadratically: what would follow one as small as this is rounding."""
_MOST_STEPS: Final = 200


def gamma_tails(shape: float, x: float) -> tuple[float, float]:
    """Chances that a gamma variable of this shape lies below x > 0 and above it."""
    if x < shape + 1.0:
        below = _gamma_front(shape, x) * _gamma_series(shape, x)
        return below, 1.0 - below
    above = _gamma_front(shape, x) * _gamma_fraction(shape, x)
    return 1.0 - above, above


def gamma_place(shape: float, tail: float, *, above: bool) -> float:
    """Where x has this chance to lie above it, or below it; 0 < tail < 1, shape at least 1."""
    if tail > 0.5:
        tail, above = 1.0 - tail, not above
    side = 1 if above else 0

    def step(u: float) -> float:
        x = math.exp(u)
        weight = gamma_tails(shape, x)[side]
        return math.log(weight / tail) * weight / _gamma_front(shape, x) * (1.0 if above else -1.0)

    z = NormalDist().inv_cdf(tail) * (-1.0 if above else 1.0)
    # E. Wilson, M. Hilferty, "The distribution of chi-square", 1931
    root = 1.0 - 1.0 / (9.0 * shape) + z / (3.0 * math.sqrt(shape))
    start = math.log(shape) + 3.0 * math.log(root) if root > 0.1 else math.log(tail) / shape
    return math.exp(_newton(step, start))


def beta_place(a: float, b: float, tail: float) -> float:
    """The x below which a beta variable lies with this chance; 0 < tail < 1."""
    return 1.0 / (1.0 + math.exp(-_beta_logit(a, b, tail)))


def student_place(tail: float, freedom: float) -> float:
    """The t that a Student variable is beyond, on either side, with this chance together."""
    return math.sqrt(freedom * math.exp(-_beta_logit(freedom / 2.0, 0.5, tail)))


def student_tail(t: float, freedom: float) -> float:
    """The chance that a Student variable is further from 0 than t, on either side."""
    if not t:
        return 1.0
    return _beta_tails(freedom / 2.0, 0.5, math.log(freedom) - 2.0 * math.log(abs(t)))[0]


def _beta_logit(a: float, b: float, tail: float) -> float:
    below = tail <= 0.5
    small, side = (tail, 0) if below else (1.0 - tail, 1)

    def step(y: float) -> float:
        weight = _beta_tails(a, b, y)[side]
        return math.log(weight / small) * weight / _beta_front(a, b, y) * (-1.0 if below else 1.0)

    return _newton(step, math.log(a / b))


def _newton(step: Callable[[float], float], place: float) -> float:
    """`step`: how far to go from a place. Raises ArithmeticError where it does not come to rest."""
    for _ in range(_MOST_STEPS):
        way = max(-1.0, min(1.0, step(place)))
        place += way
        if abs(way) < _LAST_STEP:
            return place
    raise ArithmeticError("the place of a tail was not found")


def _gamma_front(shape: float, x: float) -> float:
    """x^a e^-x / Γ(a)."""
    if shape < _LARGE_SHAPE:
        return math.exp(shape * math.log(x) - x - math.lgamma(shape))
    inverse = 1.0 / shape
    square = inverse * inverse
    correction = inverse * (1 / 12 - square * (1 / 360 - square * (1 / 1260 - square * (1 / 1680 - square / 1188))))
    return math.exp(-shape * _off(x / shape, (x - shape) / shape) - correction) * math.sqrt(shape / (2.0 * math.pi))


def _off(ratio: float, beyond: float) -> float:
    """This is r - 1 - ln r; `beyond`: r - 1. A series where the two sides cancel."""
    if abs(beyond) > 0.1:
        return beyond - math.log(ratio)
    total, power = 0.0, beyond
    for n in range(2, 20):
        power *= -beyond
        total -= power / n
    return total


def _gamma_series(shape: float, x: float) -> float:
    term = total = 1.0 / shape
    for n in range(1, _MOST_TERMS):
        term *= x / (shape + n)
        total += term
        if term < _EPSILON * total:
            break
    return total


def _gamma_fraction(shape: float, x: float) -> float:
    """1 / (x + 1 - a - 1 (1 - a) / (x + 3 - a - 2 (2 - a) / …))."""
    start = x + 1.0 - shape
    return 1.0 / _fraction(start, lambda n: (-n * (n - shape), start + 2.0 * n))


def _beta_tails(a: float, b: float, y: float) -> tuple[float, float]:
    """Chances below and above x, where y = ln(x / (1 - x)); the fraction settles fast below about the mean."""
    if (a + b + 2.0) / (1.0 + math.exp(-y)) > a + 1.0:
        above = _beta_below(b, a, -y)
        return 1.0 - above, above
    below = _beta_below(a, b, y)
    return below, 1.0 - below


def _beta_below(a: float, b: float, y: float) -> float:
    x = 1.0 / (1.0 + math.exp(-y))

    def part(n: int) -> tuple[float, float]:
        m = n // 2
        if n % 2:
            return -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)), 1.0
        return m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)), 1.0

    return _beta_front(a, b, y) / a / _fraction(1.0, part)


def _beta_front(a: float, b: float, y: float) -> float:
    """x^a (1 - x)^b / B(a, b), of three gamma fronts (C. Loader's way for binomial chances, 2000; from memory)."""
    n = a + b
    return _gamma_front(a, n / (1.0 + math.exp(-y))) * _gamma_front(b, n / (1.0 + math.exp(y))) / _gamma_front(n, n)


def _fraction(start: float, part: Callable[[int], tuple[float, float]]) -> float:
    """b0 + a1 / (b1 + a2 / (b2 + …)); `part`: the n-th a and b."""
    value = start or _TINY
    c, d = value, 0.0
    for n in range(1, _MOST_TERMS):
        over, plus = part(n)
        d = 1.0 / (plus + over * d or _TINY)
        c = plus + over / c or _TINY
        value *= c * d
        if abs(c * d - 1.0) < 2.0 * _EPSILON:
            return value
    raise ArithmeticError("a continued fraction did not settle")
