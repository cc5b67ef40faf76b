"""The order search climbs, believes no single lucky sample, and gives the shipped order up for a better one only."""

from __future__ import annotations

import math
import random
from collections import Counter
from itertools import count

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakd.errors import WorkloadError
from soakd.workloads import clockprobe
from soakd.workloads.classes import CLASSES
from soakd.workloads.clockprobe import ClockProbe
from soakd.workloads.integer import order, streams

NATURAL = "001122334455666677778888"


def so_many(trials: int):
    left = iter(range(trials))
    return lambda: next(left, None) is not None


def distance(candidate: str) -> float:
    """An invented cost: how far from an order that is as good as can be."""
    return 4 + sum(a != b for a, b in zip(candidate, streams.ORDER, strict=True))


@given(start=st.permutations(streams.ORDER), seed=st.integers(0, 2**32))
def test_an_exchange_is_another_order_of_the_same_operations(start, seed):
    before = "".join(start)
    after = order.exchanged(before, random.Random(seed))
    assert Counter(after) == Counter(before)
    assert len(streams.ordered_step(after)) == streams.OPERATIONS_PER_STEP


@pytest.mark.parametrize("seed", range(5))
def test_the_climb_reaches_the_best_order_of_a_cost_that_has_a_slope(seed):
    best, trials = order.climb(NATURAL, distance, random.Random(seed), so_many(8000))
    assert best == streams.ORDER
    assert trials == 8000


def test_the_climb_is_the_same_for_the_same_seed_and_never_worse_than_its_start():
    found = [order.climb(NATURAL, distance, random.Random(9), so_many(50))[0] for _ in range(2)]
    assert found[0] == found[1]
    assert distance(found[0]) < distance(NATURAL)


def test_one_lucky_sample_is_not_believed():
    """Every order costs the same, but each is measured far too fast the first time it is seen."""
    seen: Counter[str] = Counter()

    def lucky(candidate: str) -> float:
        seen[candidate] += 1
        return 1.0 if candidate != NATURAL and seen[candidate] == 1 else 4.0

    best, _ = order.climb(NATURAL, lucky, random.Random(1), so_many(200))
    assert best == NATURAL


def test_a_disturbed_sample_of_the_start_does_not_let_a_slower_order_in():
    calls = count()

    def cost(candidate: str) -> float:
        return math.inf if next(calls) == 0 else 4.0 if candidate == NATURAL else 5.0

    assert order.climb(NATURAL, cost, random.Random(1), so_many(50))[0] == NATURAL


@pytest.mark.parametrize(
    ("theirs", "chosen"),
    [
        (3.9, NATURAL),
        (4.0 * (1 - order.NOISE) - 1e-9, NATURAL),
        (4.0 * (1 - order.NOISE / 2), streams.ORDER),
        (4.0, streams.ORDER),
        (4.5, streams.ORDER),
    ],
)
def test_the_shipped_order_stays_unless_the_other_is_faster_beyond_noise(theirs, chosen):
    def cost(candidate: str) -> float:
        return theirs if candidate == NATURAL else 4.0

    kept, cycles, shipped_cycles = order.settle(streams.ORDER, NATURAL, cost)
    assert kept == chosen
    assert (cycles, shipped_cycles) == (cost(chosen), 4.0)


def test_the_settlement_takes_the_second_lowest_sample_of_each():
    """The lowest may be lower than the core can be."""
    noise = {NATURAL: iter([9.0, 3.0, math.inf, 3.1, 9.0, 9.0, 9.0]), streams.ORDER: iter([8.0] * 5 + [4.0, 4.2])}
    assert order.settle(streams.ORDER, NATURAL, lambda candidate: next(noise[candidate])) == (NATURAL, 3.1, 4.2)
    once = {NATURAL: iter([3.0] + [4.0] * 6), streams.ORDER: iter([4.0] * 7)}
    assert order.settle(streams.ORDER, NATURAL, lambda candidate: next(once[candidate])) == (streams.ORDER, 4.0, 4.0)


def test_a_settlement_goes_on_until_enough_of_it_was_undisturbed():
    """A host's other work, or a drifting clock: most samples are worth nothing."""
    noise = {
        NATURAL: iter([math.inf] * 11 + [3.1, 3.2] + [3.0] * 90),
        streams.ORDER: iter([4.0] + [math.inf] * 9 + [4.2, 4.1, 4.3] + [4.2] * 90),
    }
    samples: Counter[str] = Counter()

    def cost(candidate: str) -> float:
        samples[candidate] += 1
        return next(noise[candidate])

    assert order.settle(streams.ORDER, NATURAL, cost) == (NATURAL, 3.0, 4.1)
    assert samples == {NATURAL: 15, streams.ORDER: 15}


@pytest.mark.parametrize("restless", [NATURAL, streams.ORDER])
def test_where_the_clock_never_keeps_still_nothing_is_settled(restless):
    with pytest.raises(WorkloadError, match="the clock did not keep still"):
        order.settle(streams.ORDER, NATURAL, lambda candidate: math.inf if candidate == restless else 4.0)


def test_a_real_search_returns_a_valid_order_whose_kernel_is_right():
    if not ClockProbe().available:
        with pytest.raises(WorkloadError, match="not known to hold"):
            order.search(seed=1, seconds=0.2)
        return
    found = order.search(seed=1, seconds=0.2)
    assert Counter(found.order) == Counter(streams.ORDER)
    assert found.trials > 0
    assert found.order == streams.ORDER or found.cycles_per_step < found.shipped_cycles_per_step
    assert streams.build(CLASSES["scalar"], text=streams.x86_text(found.order)).selfcheck() is None


def test_a_sample_between_two_different_clocks_counts_as_infinitely_slow(monkeypatch):
    probe = ClockProbe()
    clocks = iter([4000.0, 4000.0 * (1 + 1.5 * order.STEADY)])
    monkeypatch.setattr(probe, "mhz", lambda: next(clocks))
    assert order.cycles_per_step(streams.ORDER, probe) == math.inf


def test_without_a_clock_probe_there_is_no_search(monkeypatch):
    monkeypatch.setattr(clockprobe, "architecture", lambda: "aarch64")
    with pytest.raises(WorkloadError, match="not known to hold"):
        order.search(seed=1)
