"""Means with an honest error, whatever their readings have in common with their neighbours."""

from __future__ import annotations

import math
import random
import statistics

import pytest
from rate_parts import stage
from scipy import stats

from soakd.model.measured import Estimate
from soakd.rules.estimates import FEWEST, added, chance_of_none, difference, gain, half_width, mean, ratio


def estimate(value, sd, freedom=4.0):
    return Estimate(value=value, sd=sd, freedom=freedom)


def test_a_mean_and_a_ratio_are_what_they_say():
    values = [random.Random(1).gauss(5.0, 1.0) for _ in range(100)]
    assert mean(values).value == pytest.approx(statistics.fmean(values), rel=1e-14)
    weights = [float(n % 7 + 1) for n in range(100)]
    assert ratio(values, weights).value == pytest.approx(sum(values) / sum(weights), rel=1e-14)


def test_too_few_readings_or_nothing_to_divide_by_give_no_number():
    assert mean([1.0] * (FEWEST - 1)) is None
    assert ratio([1.0] * 100, [0.0] * 100) is None
    assert mean([1.0] * FEWEST) == estimate(1.0, 0.0)


@pytest.mark.parametrize("memory_s", [0.1, 3.0, 10.0])
def test_the_error_is_the_scatter_of_the_means_themselves(memory_s):
    """Of 300 benches: their means scatter by as much as each one alone said, within 4 standard errors of a variance."""
    found = [ratio(*stage(seed, 10.0, memory_s=memory_s)) for seed in range(300)]
    said = statistics.fmean(each.sd**2 for each in found)
    really = statistics.variance(each.value for each in found)
    assert said / really == pytest.approx(1.0, abs=4.0 * math.sqrt(2.0 / 299.0 + 2.0 / 4.0 / 300.0))


def test_benches_that_are_alike_are_called_different_as_often_as_is_said():
    """At 5 %, of 300 pairs: 15 ± 4 standard deviations (3.8 each); the benchmark does 2,000."""
    seeds = range(300)
    pairs = [(ratio(*stage(2 * s, 10.0)), ratio(*stage(2 * s + 1, 10.0))) for s in seeds]
    assert 1 <= sum(chance_of_none(gain(new, old)) < 0.05 for old, new in pairs) <= 30


def test_two_percent_more_are_found_in_ten_minutes():
    pairs = [(ratio(*stage(2 * s, 10.0)), ratio(*stage(2 * s + 1, 10.0, per_second=1.02e9))) for s in range(100)]
    found = [gain(new, old) for old, new in pairs]
    assert sum(chance_of_none(each) < 0.05 for each in found) >= 99
    assert statistics.fmean(each.value for each in found) == pytest.approx(0.02, abs=0.001)


def test_differences_and_gains_are_welch_s():
    """B. Welch, 1947, by scipy from the same means, scatter and counts."""
    one, other = estimate(10.0, 0.3, 9.0), estimate(9.0, 0.4, 19.0)
    theirs = stats.ttest_ind_from_stats(10.0, 0.3 * math.sqrt(10), 10, 9.0, 0.4 * math.sqrt(20), 20, equal_var=False)
    ours = difference(one, other)
    assert ours.value == 1.0
    assert chance_of_none(ours) == pytest.approx(theirs.pvalue)
    assert added(one, other) == estimate(19.0, ours.sd, ours.freedom)
    more = gain(one, other)
    assert more.value == pytest.approx(1.0 / 9.0)
    assert more.sd == pytest.approx(10.0 / 9.0 * math.hypot(0.3 / 10.0, 0.4 / 9.0))


def test_the_half_width_is_student_s():
    assert half_width(estimate(1.0, 2.0, 4.0), 0.95) == pytest.approx(2.0 * stats.t.ppf(0.975, 4.0))


def test_without_any_scatter_a_difference_is_certain():
    assert chance_of_none(estimate(0.0, 0.0)) == 1.0
    assert chance_of_none(estimate(0.1, 0.0)) == 0.0
    assert half_width(difference(estimate(2.0, 0.0), estimate(1.0, 0.0)), 0.95) == 0.0
