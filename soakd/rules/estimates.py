"""Means of readings that resemble their neighbours, each with an honest standard error.

Batch means (B. Schmeiser, "Batch size effects in the analysis of simulation output", 1982): the means of a dozen equal
stretches are nearly independent however much single readings resemble each other. What likeness is left makes their
scatter too small by an amount that halves where a stretch doubles, so twice the variance from stretches less that from
half stretches has none of it to first order (a jackknife; D. Vats, J. Flegal, "Lugsail lag windows", 2022). All from
memory. Two means are compared by Welch's test (B. Welch, 1947).
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from soakd.model.measured import Estimate
from soakd.rules.tails import student_place, student_tail

if TYPE_CHECKING:
    from collections.abc import Sequence

STRETCHES: Final = 12
FEWEST: Final = 4 * STRETCHES
"""Readings that a mean is worked out from."""
_FREEDOM: Final = STRETCHES / 2.5
"""Of the combined variance: 4 · 2/n + 2/(2n) - 4 · 2/(2n) of its square, for normal readings."""
_LEAST_SHARE: Final = 0.25
"""The combined variance is at least this share of the plain one."""


def mean(values: Sequence[float]) -> Estimate | None:
    """None for too few."""
    return ratio(values, [1.0] * len(values))


def ratio(above: Sequence[float], below: Sequence[float]) -> Estimate | None:
    """The sum of some over the sum of others, taken at the same moments; None for too few or a sum of 0."""
    total = math.fsum(below)
    if len(above) < FEWEST or not total:
        return None
    wide, narrow = (_variance(above, below, count) for count in (STRETCHES, 2 * STRETCHES))
    if wide is None or narrow is None:
        return None
    variance = max(2.0 * wide - narrow, _LEAST_SHARE * wide)
    return Estimate(value=math.fsum(above) / total, sd=math.sqrt(variance), freedom=_FREEDOM)


def half_width(estimate: Estimate, confidence: float) -> float:
    """What to give either way so that the truth lies within, at this confidence."""
    return student_place(1.0 - confidence, estimate.freedom) * estimate.sd


def difference(one: Estimate, other: Estimate) -> Estimate:
    """One less the other."""
    return _sum(one.value - other.value, (one.sd, one.freedom), (other.sd, other.freedom))


def added(one: Estimate, other: Estimate) -> Estimate:
    """One and the other."""
    return _sum(one.value + other.value, (one.sd, one.freedom), (other.sd, other.freedom))


def gain(new: Estimate, old: Estimate) -> Estimate:
    """Share by which the new one is more than the old; both are above 0."""
    times = new.value / old.value
    parts = (times * new.sd / new.value, new.freedom), (times * old.sd / old.value, old.freedom)
    return _sum(times - 1.0, *parts)


def chance_of_none(estimate: Estimate) -> float:
    """The chance to see so much or more, on either side, where the truth is 0."""
    if not estimate.sd:
        return 0.0 if estimate.value else 1.0
    return student_tail(estimate.value / estimate.sd, estimate.freedom)


def _sum(value: float, *parts: tuple[float, float]) -> Estimate:
    """The degrees of freedom are Welch's and Satterthwaite's."""
    variance = sum(sd * sd for sd, _ in parts)
    scatter = sum(sd**4 / freedom for sd, freedom in parts)
    freedom = variance * variance / scatter if scatter else min(freedom for _, freedom in parts)
    return Estimate(value=value, sd=math.sqrt(variance), freedom=freedom)


def _variance(above: Sequence[float], below: Sequence[float], count: int) -> float | None:
    """Of the mean, from so many stretches."""
    edges = [len(above) * n // count for n in range(count + 1)]
    parts = []
    for begin, end in pairwise(edges):
        part = math.fsum(below[begin:end])
        if not part:
            return None
        parts.append(math.fsum(above[begin:end]) / part)
    middle = math.fsum(parts) / count
    return math.fsum((part - middle) ** 2 for part in parts) / (count - 1) / count
