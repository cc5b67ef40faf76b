"""Trials on the virtual bench, from sensors to verdict: constants recovered, gains found, none where there is none.

The same in the large: `benchmarks/heat.py` (500 benches) and `benchmarks/compare.py` (2,000 pairs).
"""

from __future__ import annotations

import pytest
from trial_parts import RATIO, gain_of, heat_found, speed_trial

from soakd.rules.estimates import half_width


@pytest.fixture(scope="module")
def equal():
    """Eight benches with the same settings."""
    return [speed_trial(seed) for seed in range(8)]


def test_benches_that_are_alike_are_seldom_called_different(equal):
    """Four pairs at 5 %: more than one would come once in 70 times."""
    found = [gain_of(old, new) for old, new in zip(equal[::2], equal[1::2], strict=True)]
    assert sum(gain.significant for gain in found) <= 1
    assert all(half_width(gain.rate, 0.95) < 0.012 for gain in found)


def test_two_percent_more_are_found_in_ten_minutes(equal):
    faster = [speed_trial(seed, ratio=1.02 * RATIO) for seed in range(20, 22)]
    found = [gain_of(old, new) for old, new in zip(equal, faster, strict=False)]
    assert all(gain.significant for gain in found)
    assert all(abs(gain.rate.value - 0.02) <= half_width(gain.rate, 0.99) for gain in found)
    assert all(gain.energy is not None for gain in found)


def test_the_constants_of_heat_paths_are_recovered_within_what_is_stated():
    """Three benches of four numbers each, with the room known and not: at most three outside of their 95 %."""
    found = [number for seed in range(3) for numbers in heat_found(seed) for number in numbers if number is not None]
    assert len(found) >= 16
    assert sum(off <= half for off, half in found) >= len(found) - 3
    assert all(half < 0.15 for _, half in found)
