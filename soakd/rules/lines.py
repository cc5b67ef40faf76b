"""Straight lines by least squares, with standard errors; written around the means, where no digits cancel.

Deviations from the rounded mean are exact as far as the readings are, and what the rounding of the mean leaves is taken
out again (the corrected two-pass sums of T. Chan, G. Golub, R. LeVeque, 1983; from memory). Residuals have n - 2
degrees of freedom, n - 1 through the origin, whose R² is taken about 0 (NIST StRD, linear regression).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from operator import mul
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A fitted line y = intercept + slope · x."""

    slope: float
    intercept: float
    slope_sd: float
    """Standard error; so is the next."""
    intercept_sd: float
    residual_sd: float
    r2: float
    freedom: int
    mean_x: float
    mean_y: float

    def at(self, x: float) -> float:
        return self.mean_y + self.slope * (x - self.mean_x)


def line(xs: Sequence[float], ys: Sequence[float]) -> Line:
    """Raises ValueError for fewer than three points, or where every x is the same."""
    count = len(xs)
    mean_x, across = _centred(xs)
    mean_y, up = _centred(ys)
    spread = math.fsum(map(mul, across, across))
    if count < 3 or not spread:
        raise ValueError("a line needs three points and two places")
    slope = math.fsum(map(mul, across, up)) / spread
    residuals = [y - slope * x for x, y in zip(across, up, strict=True)]
    slope += math.fsum(map(mul, across, residuals)) / spread
    squares = math.fsum((y - slope * x) ** 2 for x, y in zip(across, up, strict=True))
    residual_sd = math.sqrt(squares / (count - 2))
    slope_sd, mean_sd = residual_sd / math.sqrt(spread), residual_sd / math.sqrt(count)
    total = math.fsum(map(mul, up, up))
    return Line(
        slope=slope,
        intercept=mean_y - slope * mean_x,
        slope_sd=slope_sd,
        intercept_sd=math.hypot(mean_sd, slope_sd * mean_x),
        residual_sd=residual_sd,
        r2=1.0 - squares / total if total else 1.0,
        freedom=count - 2,
        mean_x=mean_x,
        mean_y=mean_y,
    )


def line_through_origin(xs: Sequence[float], ys: Sequence[float]) -> Line:
    """Raises ValueError for fewer than two points, or where every x is 0."""
    count, spread = len(xs), math.fsum(map(mul, xs, xs))
    if count < 2 or not spread:
        raise ValueError("a line through the origin needs two points, one of them away from it")
    slope = math.fsum(map(mul, xs, ys)) / spread
    squares = math.fsum((y - slope * x) ** 2 for x, y in zip(xs, ys, strict=True))
    residual_sd = math.sqrt(squares / (count - 1))
    total = math.fsum(map(mul, ys, ys))
    return Line(
        slope=slope,
        intercept=0.0,
        slope_sd=residual_sd / math.sqrt(spread),
        intercept_sd=0.0,
        residual_sd=residual_sd,
        r2=1.0 - squares / total if total else 1.0,
        freedom=count - 1,
        mean_x=0.0,
        mean_y=0.0,
    )


def _centred(values: Sequence[float]) -> tuple[float, list[float]]:
    """The mean, and the deviations from it."""
    rough = math.fsum(values) / len(values)
    off = math.fsum(value - rough for value in values) / len(values)
    return rough + off, [value - rough - off for value in values]
