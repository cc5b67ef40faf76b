"""What a time with few errors or none shows: against published factors, plans, examples and scipy."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from soakd.rules.demonstration import chance_to_see, mean_between_s, most_mean_s, needed_s, shown_mean_s
from soakd.rules.fixed_plans import FIXED_PLANS
from soakd.rules.shares import clean_trials, share_at_most, share_between
from soakd.splitmix import split_mix

confidences = st.floats(0.5, 0.999)
times_s = st.floats(1.0, 1e7)
counts = st.integers(0, 500)

CONFIDENCES = (0.50, 0.60, 0.75, 0.80, 0.90, 0.95, 0.99)
FACTORS = {
    0: (0.69315, 0.91629, 1.38629, 1.60944, 2.30259, 2.99573, 4.60517),
    1: (1.67835, 2.02231, 2.69263, 2.99431, 3.88972, 4.74386, 6.63835),
    2: (2.67406, 3.10538, 3.92040, 4.27903, 5.32232, 6.29579, 8.40595),
    3: (3.67206, 4.17526, 5.10943, 5.51505, 6.68078, 7.75366, 10.04512),
    4: (4.67091, 5.23662, 6.27443, 6.72098, 7.99359, 9.15352, 11.60463),
    5: (5.67016, 6.29192, 7.42270, 7.90599, 9.27467, 10.51303, 13.10848),
    10: (10.66852, 11.51533, 13.01963, 13.65073, 15.40664, 16.96222, 20.14468),
}


@pytest.mark.parametrize("errors", FACTORS)
def test_the_time_needed_is_the_published_multiple_of_the_mean(errors):
    """NIST/SEMATECH e-Handbook 8.3.1.1, test length guide table (to three figures from memory, then scipy)."""
    for confidence, factor in zip(CONFIDENCES, FACTORS[errors], strict=True):
        assert needed_s(1.0, confidence, errors) == pytest.approx(factor, abs=6e-6)


@pytest.mark.parametrize(
    ("errors", "confidence", "lower", "upper"),
    [
        (1, 0.60, 0.3340, 4.4814), (1, 0.80, 0.2571, 9.4912), (1, 0.90, 0.2108, 19.4957), (1, 0.95, 0.1795, 39.4979),
        (2, 0.60, 0.4674, 2.4260), (2, 0.80, 0.3758, 3.7607), (2, 0.90, 0.3177, 5.6281), (2, 0.95, 0.2768, 8.2573),
        (5, 0.60, 0.6324, 1.6184), (5, 0.80, 0.5391, 2.0554), (5, 0.90, 0.4756, 2.5379), (5, 0.95, 0.4285, 3.0798),
        (10, 0.60, 0.7326, 1.3719), (10, 0.80, 0.6491, 1.6074), (10, 0.90, 0.5895, 1.8432), (10, 0.95, 0.5438, 2.0853),
    ],
)  # fmt: skip
def test_two_sided_bounds_are_the_published_multiples_of_the_mean(errors, confidence, lower, upper):
    """NIST/SEMATECH e-Handbook 8.4.5.1, tables of multipliers (scipy; the printed tables were not read)."""
    assert mean_between_s(errors, confidence, errors) == pytest.approx((lower, upper), abs=6e-5)


def test_two_errors_in_800_hours():
    """NIST/SEMATECH e-Handbook 8.4.5.1: a mean of 400 h, 90 % interval 127 h to 2251 h (from memory; scipy agrees)."""
    assert mean_between_s(800.0, 0.90, 2) == pytest.approx((127.0, 2251.0), abs=0.5)


def test_ten_errors_in_1600_hours():
    """MIL-HDBK-338B, 20 items that are replaced, stopped at the tenth error after 80 h; 95 % (from memory; scipy)."""
    assert shown_mean_s(1600.0, 0.975, 10, ended_by_error=True) == pytest.approx(93.65, abs=0.005)
    assert shown_mean_s(1600.0, 0.95, 10, ended_by_error=True) == pytest.approx(101.88, abs=0.005)
    lower, upper = mean_between_s(1600.0, 0.95, 10)
    assert (lower, upper) == pytest.approx((87.00, 333.65), abs=0.005), "the same errors in a fixed time"
    assert shown_mean_s(1600.0, 0.95, 10) == pytest.approx(94.33, abs=0.005)


@given(times_s, confidences, counts)
def test_it_is_the_chi_square_bound(time_s, confidence, errors):
    """NIST/SEMATECH e-Handbook 8.4.5.1, by scipy's chi-square."""
    exact = 2 * time_s / stats.chi2.ppf(confidence, 2 * errors + 2)
    assert shown_mean_s(time_s, confidence, errors) == pytest.approx(exact, rel=1e-10)
    assert needed_s(shown_mean_s(time_s, confidence, errors), confidence, errors) == pytest.approx(time_s, rel=1e-12)
    if errors:
        most = 2 * time_s / stats.chi2.ppf(1 - confidence, 2 * errors)
        assert most_mean_s(time_s, confidence, errors) == pytest.approx(most, rel=1e-10)
        ended = 2 * time_s / stats.chi2.ppf(confidence, 2 * errors)
        assert shown_mean_s(time_s, confidence, errors, ended_by_error=True) == pytest.approx(ended, rel=1e-10)


@given(times_s, confidences)
def test_without_an_error_it_is_the_time_over_the_logarithm_and_there_is_no_upper_bound(time_s, confidence):
    assert shown_mean_s(time_s, confidence) == pytest.approx(time_s / -math.log1p(-confidence), rel=1e-12)
    assert most_mean_s(time_s, confidence, 0) == math.inf


@given(times_s, confidences)
def test_the_mean_that_is_shown_is_the_one_that_would_have_been_seen_with_that_confidence(clean_s, confidence):
    assert chance_to_see(shown_mean_s(clean_s, confidence), clean_s) == pytest.approx(confidence)


PRINTED_RISKS = {
    "IX-D": (12.0, 9.9), "X-D": (10.9, 21.4), "XI-D": (19.7, 19.6), "XII-D": (9.6, 10.6), "XIII-D": (9.8, 20.9),
    "XIV-D": (19.9, 21.0), "XV-D": (9.4, 9.9), "XVI-D": (10.9, 21.3), "XVII-D": (17.5, 19.7), "XIX-D": (29.8, 30.1),
    "XX-D": (28.3, 28.5), "XXI-D": (30.7, 33.3),
}  # fmt: skip


@pytest.mark.parametrize("plan", FIXED_PLANS, ids=lambda plan: plan.name)
def test_published_plans_have_the_printed_risks(plan):
    """MIL-HDBK-781A, fixed-duration plans (from memory); and scipy's Poisson."""
    producer, consumer = PRINTED_RISKS[plan.name]
    assert plan.producer_risk * 100 == pytest.approx(producer, abs=0.06)
    assert plan.consumer_risk * 100 == pytest.approx(consumer, abs=0.06)
    assert plan.consumer_risk == pytest.approx(stats.poisson.cdf(plan.rejects_at - 1, plan.length), rel=1e-12)
    assert plan.producer_risk == pytest.approx(stats.poisson.sf(plan.rejects_at - 1, plan.length / plan.ratio))


def test_a_plan_is_the_time_needed_at_its_consumer_s_risk():
    assert {plan.name for plan in FIXED_PLANS} == PRINTED_RISKS.keys()
    for plan in FIXED_PLANS:
        needed = needed_s(1.0, 1.0 - plan.consumer_risk, plan.rejects_at - 1)
        assert needed == pytest.approx(plan.length, rel=1e-10)


@pytest.mark.parametrize(
    ("bad", "trials", "lower", "upper"),
    [
        (0, 10, 0, 0.30850), (0, 20, 0, 0.16843), (0, 100, 0, 0.036217), (1, 10, 0.0025286, 0.445016),
        (4, 20, 0.057334, 0.436614), (5, 10, 0.187086, 0.812914), (10, 100, 0.049005, 0.176223),
    ],
)  # fmt: skip
def test_shares_lie_between_the_exact_bounds(bad, trials, lower, upper):
    """C. Clopper, E. Pearson, 1934, by scipy's beta.ppf."""
    assert share_between(bad, trials, 0.95) == pytest.approx((lower, upper), abs=6e-6)
    assert share_between(trials - bad, trials, 0.95) == pytest.approx((1 - upper, 1 - lower), abs=6e-6)


@pytest.mark.parametrize(("bad", "trials", "upper"), [(1, 10, 0.394163), (4, 20, 0.401028), (10, 100, 0.163718)])
def test_a_share_is_at_most_the_one_sided_bound(bad, trials, upper):
    """By scipy's beta.ppf, and by what the bound means: so few bad ones then have a chance of one in twenty."""
    bound = share_at_most(bad, trials, 0.95)
    assert bound == pytest.approx(upper, abs=6e-7)
    assert stats.binom.cdf(bad, trials, bound) == pytest.approx(0.05, rel=1e-9)


@pytest.mark.parametrize(("trials", "upper"), [(10, 0.25887), (20, 0.13911), (100, 0.029513), (1000, 0.0029912)])
def test_without_a_bad_trial_the_bound_is_about_three_over_their_number(trials, upper):
    """1 - 0.05^(1/n); the rule of three (J. Hanley, A. Lippman-Hand, JAMA 249 (1983) 1743)."""
    assert share_at_most(0, trials, 0.95) == pytest.approx(upper, rel=3e-5)
    assert share_at_most(0, trials, 0.95) == pytest.approx(1 - 0.05 ** (1 / trials), rel=1e-11)


@pytest.mark.parametrize(
    ("good", "confidence", "trials"),
    [
        (0.90, 0.90, 22), (0.90, 0.95, 29), (0.95, 0.90, 45), (0.95, 0.95, 59), (0.99, 0.90, 230), (0.99, 0.95, 299),
        (0.999, 0.90, 2302), (0.999, 0.95, 2995),
    ],
)  # fmt: skip
def test_a_success_run_has_the_printed_length(good, confidence, trials):
    """Success-run theorem: the classic printed values (from memory), and the bound itself on either side of it."""
    assert clean_trials(good, confidence) == trials
    assert share_at_most(0, trials, confidence) <= 1 - good < share_at_most(0, trials - 1, confidence)


def test_on_benches_of_a_known_rate_the_bound_holds_as_often_as_it_says():
    """Stopped at the fifth error it is exact: of 2,000 benches 1,800 ± 3.5 standard deviations; a fixed seed."""
    held = 0
    for bench in range(2000):
        at = sum(-math.log(((split_mix(bench, n) >> 11) + 0.5) / 2**53) for n in range(5))
        held += shown_mean_s(at, 0.90, 5, ended_by_error=True) <= 1.0
    assert held == pytest.approx(1800, abs=47)
