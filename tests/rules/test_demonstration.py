"""What a clean time shows: against published factors and scipy's chi-square."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from soakd.rules.demonstration import chance_to_see, needed_s, shown_mean_s

confidences = st.floats(0.5, 0.999)
times_s = st.floats(1.0, 1e7)


@pytest.mark.parametrize(
    ("confidence", "factor"),
    [
        (0.50, 0.69315), (0.60, 0.91629), (0.75, 1.38629), (0.80, 1.60944),
        (0.90, 2.30259), (0.95, 2.99573), (0.99, 4.60517),
    ],
)  # fmt: skip
def test_the_time_needed_is_the_published_multiple_of_the_mean(confidence, factor):
    """NIST/SEMATECH e-Handbook 8.3.1.1, test length guide table, row of zero failures (from memory; scipy agrees)."""
    assert needed_s(1.0, confidence) == pytest.approx(factor, abs=5e-6)


@given(times_s, confidences)
def test_it_is_the_chi_square_bound_for_zero_failures(clean_s, confidence):
    """NIST/SEMATECH e-Handbook 8.4.5.1: 2T / chi-square of 2 degrees of freedom, for a test of fixed time."""
    assert shown_mean_s(clean_s, confidence) == pytest.approx(2 * clean_s / stats.chi2.ppf(confidence, 2), rel=1e-9)
    assert needed_s(shown_mean_s(clean_s, confidence), confidence) == pytest.approx(clean_s)


def test_a_plan_without_allowed_failures_has_the_published_consumer_s_risk():
    """MIL-HDBK-781A, plan XXI-D: 1.1 times the mean, rejected at the first failure, 33.3 % risk (from memory)."""
    assert 1 - chance_to_see(1.0, 1.1) == pytest.approx(0.333, abs=5e-4)


@given(times_s, confidences)
def test_the_mean_that_is_shown_is_the_one_that_would_have_been_seen_with_that_confidence(clean_s, confidence):
    assert chance_to_see(shown_mean_s(clean_s, confidence), clean_s) == pytest.approx(confidence)
