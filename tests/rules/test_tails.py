"""Tails and their places: against scipy, and against exact sums where scipy is no reference any more."""

from __future__ import annotations

import math
from decimal import Decimal, localcontext

import pytest
from scipy import special, stats

from soakd.rules.tails import beta_place, gamma_place, gamma_tails, student_place, student_tail

CHANCES = (1e-12, 1e-6, 1e-3, 0.01, 0.05, 0.1, 0.25, 0.5, 0.6, 0.75, 0.9, 0.95, 0.99, 0.999999)
SHAPES = (1, 2, 3, 6, 11, 16, 17, 30, 101, 1001, 10_000, 100_000)


@pytest.mark.parametrize("shape", SHAPES)
def test_gamma_places_are_those_of_scipy(shape):
    for chance in CHANCES:
        assert gamma_place(shape, chance, above=False) == pytest.approx(special.gammaincinv(shape, chance), rel=1e-11)
        assert gamma_place(shape, chance, above=True) == pytest.approx(special.gammainccinv(shape, chance), rel=1e-11)


@pytest.mark.parametrize("shape", SHAPES)
def test_gamma_tails_are_those_of_scipy_and_one_together(shape):
    for z in (-3.0, -1.0, 0.0, 1.0, 3.0):
        x = max(0.01, shape + z * math.sqrt(shape))
        below, above = gamma_tails(shape, x)
        assert below == pytest.approx(special.gammainc(shape, x), rel=1e-11)
        assert above == pytest.approx(special.gammaincc(shape, x), rel=1e-11)
        assert below + above == 1.0


def test_a_million_errors_against_a_sum_of_fifty_digits():
    """Here scipy 1.17's own answer for this place is off by 1.4e-9: the sum says so."""
    shape, chance = 1_000_000, 1e-6
    with localcontext() as context:
        context.prec = 50
        x, n = Decimal(gamma_place(shape, chance, above=False)), Decimal(shape)
        pi = Decimal("3.14159265358979323846264338327950288419716939937510")
        log_factorial = n * n.ln() - n + (2 * pi * n).ln() / 2 + 1 / (12 * n) - 1 / (360 * n**3) + 1 / (1260 * n**5)
        term = (n * x.ln() - x - log_factorial).exp()
        total, k = term, shape
        while term > total * Decimal("1e-20"):
            k += 1
            term *= x / k
            total += term
        assert float(total) == pytest.approx(chance, rel=1e-11)


@pytest.mark.parametrize("a", [0.5, 1, 2, 5, 20, 100, 10_000])
@pytest.mark.parametrize("b", [0.5, 1, 2, 5, 20, 100, 10_000])
def test_beta_places_are_those_of_scipy(a, b):
    for chance in (1e-10, 1e-3, 0.025, 0.05, 0.3, 0.5, 0.7, 0.95, 0.975, 0.999):
        assert beta_place(a, b, chance) == pytest.approx(special.betaincinv(a, b, chance), rel=1e-10)


@pytest.mark.parametrize("freedom", [1, 2, 3, 5, 10, 30, 100, 1000, 10_000, 1_000_000])
def test_student_places_and_tails_are_those_of_scipy(freedom):
    for chance in (1e-10, 1e-3, 0.01, 0.05, 0.1, 0.5, 0.9):
        t = stats.t.isf(chance / 2, freedom)
        assert student_place(chance, freedom) == pytest.approx(t, rel=1e-10)
        assert student_tail(t, freedom) == student_tail(-t, freedom) == pytest.approx(chance, rel=1e-10)
    assert student_tail(0.0, freedom) == 1.0
