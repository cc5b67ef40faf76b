"""Means of readings that resemble their neighbours, each with an honest standard error.

How much a mean of n readings moves is told by what in them moves slowly: the square of each of the first few cosines
over the readings (half a wave, a whole one, ...) estimates n times its variance, whatever neighbours have in common, as
long as that is forgotten sooner than those waves turn. The cosines do not mind each other, so the mean of ν squares is
a χ² variable of ν degrees of freedom, and a difference over its error follows Student's distribution (U. Müller, "A
theory of robust long-run variance estimation", 2007; E. Lazarus, D. Lewis, J. Stock, M. Watson, "HAR inference", 2018;
both from memory). Few cosines tell less and are deceived less. Two means are compared by Welch's test (B. Welch, 1947;
from memory).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from soakd.model.measured import Estimate
from soakd.rules.tails import student_place, student_tail

if TYPE_CHECKING:
    from collections.abc import Sequence

WAVES: Final = 4
"""Cosines: with four, equal benches are called different in 4.3 to 5.3 of 100 pairs at 5 %, where what wanders is
forgotten by 63 % within a thirtieth of the readings (`tests/benchmarks/throughput.py`)."""
FEWEST: Final = 48
"""Readings that a mean is worked out from."""


def mean(values: Sequence[float]) -> Estimate | None:
    """None for too few."""
    return ratio(values, [1.0] * len(values))


def ratio(above: Sequence[float], below: Sequence[float]) -> Estimate | None:
    """The sum of some over the sum of others, taken at the same moments; None for too few or a sum of 0."""
    total = math.fsum(below)
    if len(above) < FEWEST or not total:
        return None
    value = math.fsum(above) / total
    off = [one - value * other for one, other in zip(above, below, strict=True)]
    variance = math.fsum(_along(off, wave) ** 2 for wave in range(1, WAVES + 1)) / WAVES
    return Estimate(value=value, sd=math.sqrt(variance * len(off)) / abs(total), freedom=WAVES)


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


def _along(values: Sequence[float], wave: int) -> float:
    """How much of a cosine with so many half waves, of length 1, they are."""
    count = len(values)
    turn = math.pi * wave / count
    return math.sqrt(2.0 / count) * math.fsum(v * math.cos(turn * (n + 0.5)) for n, v in enumerate(values))
