"""The fitted heating curve, against exact steps of an RC path, scipy's curve_fit, and the scatter of many fits."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from soakd.rules.heating import fit

R_KW, C_JK, P_W, T_A = 0.4, 300.0, 150.0, 25.0
"""Common practice: tau = R C = 120 s, settles at T_A + P R = 85 °C."""


def step(t):
    return T_A + P_W * R_KW * -math.expm1(-t / (R_KW * C_JK))


def curve(t, settled, begin, tau):
    return settled - (settled - begin) * np.exp(-t / tau)


def noisy(seed, tau, *, count=60, sigma=0.3, settled=95.0, begin=50.0):
    draw = random.Random(seed)
    times = np.arange(float(count))
    return times, curve(times, settled, begin, tau) + np.array([draw.gauss(0.0, sigma) for _ in times])


def test_an_exact_step_is_found_again():
    """Textbook form; after 60, 120, 300, 600 s: 48.6082, 62.9272, 80.0749, 84.5957 °C (arithmetic)."""
    expected = {60.0: 48.6082, 120.0: 62.9272, 300.0: 80.0749, 600.0: 84.5957}
    assert {t: round(step(t), 4) for t in expected} == expected
    found = fit([(float(t), step(t)) for t in range(60)])
    assert found.follows
    assert found.settles_c == pytest.approx(85.0, abs=1e-3)
    assert 1.0 / found.bend_per_s == pytest.approx(120.0, rel=1e-4)
    for t, celsius in expected.items():
        assert found.after(t - 59.0) == pytest.approx(celsius, abs=1e-3)
    assert found.reaches_in_s(80.0) == pytest.approx(120.0 * math.log(60.0 / 5.0) - 59.0, abs=0.01)
    assert found.reaches_in_s(86.0) is None
    assert found.reaches_in_s(30.0) == 0.0


@given(st.floats(20.0, 2000.0), st.floats(30.0, 110.0), st.floats(-60.0, 60.0))
def test_any_exact_curve_tells_what_comes_next(tau, settled, below):
    """Also one that cools, and one of which so little is seen that it is nearly straight."""
    found = fit([(float(t), settled - below * math.exp(-t / tau)) for t in range(60)])
    assert found.after(60.0) == pytest.approx(settled - below * math.exp(-119.0 / tau), abs=0.05)


@given(st.floats(-2.0, 2.0), st.floats(20.0, 90.0))
def test_a_straight_line_stays_one(rise, begin):
    found = fit([(float(t), begin + rise * t) for t in range(40)])
    assert found.after(30.0) == pytest.approx(begin + rise * 69.0, abs=1e-3 + abs(rise) * 0.01)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("tau", [20.0, 45.0])
def test_noisy_curves_agree_with_scipy_in_their_numbers_and_in_their_standard_errors(seed, tau):
    times, values = noisy(seed, tau)
    found = fit(list(zip(times, values, strict=True)))
    best, covariance = curve_fit(curve, times, values, p0=(90.0, 50.0, 40.0))
    assert found.settles_c == pytest.approx(best[0], abs=0.02)
    assert 1.0 / found.bend_per_s == pytest.approx(best[2], rel=1e-3)
    for ahead_s in (0.0, 15.0, 60.0):
        assert found.after(ahead_s) == pytest.approx(curve(59.0 + ahead_s, *best), abs=0.01)
        gone = math.exp(-(59.0 + ahead_s) / best[2])
        slopes = np.array([1.0 - gone, gone, -(best[0] - best[1]) * gone * (59.0 + ahead_s) / best[2] ** 2])
        alike = math.sqrt((1.0 + found.alike) / (1.0 - found.alike))
        assert found.unsure_k(ahead_s) == pytest.approx(alike * math.sqrt(slopes @ covariance @ slopes), rel=0.01)


def test_standard_errors_are_the_scatter_of_many_fits():
    """400 draws: what is expected 30 s ahead scatters by its standard error, and so does the moment of a limit."""
    true_c, true_s = curve(89.0, 95.0, 50.0, 45.0), 45.0 * math.log(45.0 / 8.0) - 59.0
    off_k, off_s = [], []
    for seed in range(400):
        found = fit(list(zip(*noisy(seed, 45.0), strict=True)))
        off_k.append((found.after(30.0) - true_c) / found.unsure_k(30.0))
        off_s.append((found.reaches_in_s(87.0) - true_s) / found.unsure_s(found.reaches_in_s(87.0)))
    assert 0.8 < np.std(off_k) < 1.15
    assert 0.8 < np.std(off_s) < 1.2
    assert abs(np.mean(off_k)) < 0.25


@pytest.mark.parametrize("seed", range(6))
def test_wild_readings_are_left_out(seed):
    """As if they had never been there, which scipy is told by hand."""
    times, values = noisy(seed, 45.0)
    wild = random.Random(seed).sample(range(5, 50), 4)
    spoilt = values.copy()
    spoilt[wild] += [25.0, -30.0, 40.0, -18.0]
    found = fit(list(zip(times, spoilt, strict=True)))
    kept = [n for n in range(60) if n not in wild]
    best, _ = curve_fit(curve, times[kept], values[kept], p0=(90.0, 50.0, 40.0))
    assert found.after(60.0) == pytest.approx(curve(119.0, *best), abs=0.02)


def test_a_curve_that_its_last_readings_have_left_is_not_followed():
    flat = [(float(t), 70.0 + 0.1 * (t % 3)) for t in range(50)]
    assert fit(flat).follows
    assert not fit([*flat, *((50.0 + n, 70.5 + 0.8 * n) for n in range(8))]).follows


@given(st.lists(st.floats(-60.0, 150.0), min_size=12, max_size=60))
def test_whatever_the_readings_something_finite_or_nothing_comes_of_them(values):
    found = fit([(float(n), value) for n, value in enumerate(values)])
    if found is not None:
        assert math.isfinite(found.after(60.0))
        assert found.unsure_k(60.0) >= 0.0
        assert 0.0 <= found.alike <= 0.9
        assert found.bend_per_s >= 0.0


def test_too_few_readings_are_no_curve():
    assert fit([(float(n), 50.0 + n) for n in range(11)]) is None
    assert fit([]) is None
