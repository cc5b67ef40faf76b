"""Straight lines against NIST's certified values, exact rational arithmetic, and scipy.

Data and certified values: NIST StRD, linear least squares, https://www.itl.nist.gov/div898/strd/lls/data/ (copied in
several public test suites). Norris passes also with sums that cancel; the same data shifted by 1e8 does not.
"""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from soakd.rules.lines import line, line_through_origin

NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5,
    11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1,
    448.9, 0.5,
]  # fmt: skip
NORRIS_Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9,
    10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4,
    449.2, 0.2,
]  # fmt: skip
PONTIUS_X = [150_000.0 * n for n in range(1, 21)] * 2
PONTIUS_Y = [
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146, 1.20001, 1.30822,
    1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
    0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.98300, 1.09150, 1.20004, 1.30818,
    1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
]  # fmt: skip


def exact(xs, ys):
    """Slope, its variance and the residual variance of these very floats, without any rounding."""
    xs, ys = [Fraction(x) for x in xs], [Fraction(y) for y in ys]
    n, mean_x, mean_y = len(xs), sum(xs) / len(xs), sum(ys) / len(ys)
    spread = sum((x - mean_x) ** 2 for x in xs)
    slope = sum((x - mean_x) * (y - mean_y) for x, y in zip(xs, ys, strict=True)) / spread
    squares = sum((y - mean_y - slope * (x - mean_x)) ** 2 for x, y in zip(xs, ys, strict=True))
    return slope, mean_y - slope * mean_x, squares / (n - 2) / spread, squares / (n - 2)


def digits(found, certified):
    """Decimal digits that agree: NIST's log relative error."""
    off = abs(found - certified) / abs(certified)
    return -math.log10(off) if off else 16.0


def test_norris_to_the_digits_that_double_precision_allows():
    fitted = line(NORRIS_X, NORRIS_Y)
    assert digits(fitted.slope, 1.00211681802045) > 14
    assert digits(fitted.slope_sd, 0.429796848199937e-3) > 13
    assert digits(fitted.intercept, -0.262323073774029) > 12, "a difference of two numbers near 430"
    assert digits(fitted.intercept_sd, 0.232818234301152) > 13
    assert digits(fitted.residual_sd, 0.884796396144373) > 13
    assert digits(fitted.r2, 0.999993745883712) > 14
    assert fitted.freedom == 34


def test_norris_shifted_by_a_hundred_million_is_the_same_line():
    """Against exact arithmetic on the shifted floats; the shift itself rounds each x by up to 7e-9."""
    shifted = [x + 1e8 for x in NORRIS_X]
    fitted = line(shifted, NORRIS_Y)
    slope, intercept, slope_variance, variance = map(float, exact(shifted, NORRIS_Y))
    assert digits(fitted.slope, slope) > 13
    assert digits(fitted.intercept, intercept) > 13
    assert digits(fitted.slope_sd, math.sqrt(slope_variance)) > 13
    assert digits(fitted.residual_sd, math.sqrt(variance)) > 13
    assert digits(fitted.slope, 1.00211681802045) > 10
    assert digits(fitted.residual_sd, 0.884796396144373) > 8


def test_the_straight_line_through_pontius():
    """Not certified (the certified model has a square): exact rational arithmetic."""
    fitted = line(PONTIUS_X, PONTIUS_Y)
    assert digits(fitted.intercept, 0.006149684210526316) > 12
    assert digits(fitted.intercept_sd, 0.0007132051674656124) > 12
    assert digits(fitted.slope, 7.221025814536341e-07) > 13
    assert digits(fitted.slope_sd, 3.969147804044248e-10) > 12
    assert digits(fitted.residual_sd, 0.00217127259605675) > 12
    assert digits(fitted.r2, 0.9999885191152188) > 14
    assert digits(fitted.slope, float(exact(PONTIUS_X, PONTIUS_Y)[0])) > 14


def test_through_the_origin():
    """NIST StRD NoInt1 and NoInt2."""
    first = line_through_origin([float(x) for x in range(60, 71)], [float(y) for y in range(130, 141)])
    assert digits(first.slope, 2.07438016528926) > 14
    assert digits(first.slope_sd, 0.165289256198347e-1) > 13
    assert digits(first.residual_sd, 3.56753034006338) > 13
    assert digits(first.r2, 0.999365492298663) > 14
    second = line_through_origin([4.0, 5.0, 6.0], [3.0, 4.0, 4.0])
    assert digits(second.slope, 0.727272727272727) > 14
    assert digits(second.slope_sd, 0.420827318078432e-1) > 13
    assert digits(second.residual_sd, 0.369274472937998) > 13
    assert digits(second.r2, 0.993348115299335) > 14


@given(st.lists(st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3)), min_size=3, max_size=40))
def test_any_line_is_the_exact_one(pairs):
    xs, ys = zip(*pairs, strict=True)
    if max(xs) - min(xs) < 1.0:
        return
    fitted = line(xs, ys)
    slope, intercept, slope_variance, variance = map(float, exact(xs, ys))
    assert fitted.slope == pytest.approx(slope, rel=1e-10, abs=1e-10)
    assert fitted.at(5.0) == pytest.approx(intercept + 5.0 * slope, rel=1e-10, abs=1e-8)
    assert fitted.slope_sd == pytest.approx(math.sqrt(slope_variance), rel=1e-8, abs=1e-9)
    assert fitted.residual_sd == pytest.approx(math.sqrt(variance), rel=1e-8, abs=1e-9)


@pytest.mark.parametrize("origin", [0.0, 500.0])
def test_the_error_of_the_line_anywhere_is_that_of_scipy(origin):
    """At any place: the intercept's, with that place as the origin."""
    moved = [x - origin for x in NORRIS_X]
    theirs = stats.linregress(moved, NORRIS_Y)
    assert line(moved, NORRIS_Y).intercept_sd == pytest.approx(theirs.intercept_stderr, rel=1e-10)


def test_too_little_for_a_line_is_refused():
    with pytest.raises(ValueError, match="three points"):
        line([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="two places"):
        line([3.0, 3.0, 3.0], [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match="away from it"):
        line_through_origin([0.0, 0.0], [1.0, 2.0])
