"""How long the plan loads each core."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_parts import stage

from soakd.model.pattern import Pattern
from soakd.rules.expected import pattern_of, planned_seconds, stage_cores

BENCH = (0, 1, 2, 3)


def test_all_means_the_bench_s_cores_and_a_list_means_itself():
    assert stage_cores(stage(), BENCH) == BENCH
    assert stage_cores(stage(cores=(3, 1)), BENCH) == (3, 1)


def test_a_steady_stage_loads_every_core_for_its_whole_time():
    assert planned_seconds(stage(duration_s=10.0, cores=(0, 2)), BENCH) == {0: 10.0, 2: 10.0}


@pytest.mark.parametrize(
    ("duration_s", "dwell_s", "planned"),
    [
        (20.0, 5.0, {0: 5, 1: 5, 2: 5, 3: 5}),
        (22.0, 5.0, {0: 7, 1: 5, 2: 5, 3: 5}),  # the fifth dwell is cut at the stage's end
        (40.0, 4.0, {0: 12, 1: 12, 2: 8, 3: 8}),
        (8.0, 5.0, {0: 5, 1: 3, 2: 0, 3: 0}),
    ],
)
def test_a_walking_stage_loads_one_core_after_another(duration_s, dwell_s, planned):
    assert planned_seconds(stage(pattern="walking", dwell_s=dwell_s, duration_s=duration_s), BENCH) == planned


@given(st.floats(1.0, 5000.0), st.floats(0.5, 600.0), st.integers(1, 64))
def test_walking_shares_sum_to_the_stage_s_time_and_differ_by_one_dwell_at_most(duration_s, dwell_s, count):
    shares = planned_seconds(stage(pattern="walking", dwell_s=dwell_s, duration_s=duration_s), range(count))
    assert list(shares) == list(range(count))
    assert sum(shares.values()) == pytest.approx(duration_s)
    assert max(shares.values()) - min(shares.values()) <= dwell_s * (1 + 1e-9)


@pytest.mark.parametrize(
    ("duration_s", "planned"),
    [
        (20.0, {0: 20, 1: 15, 2: 10, 3: 5}),
        (40.0, {0: 40, 1: 30, 2: 20, 3: 10}),  # over again
        (26.0, {0: 26, 1: 16, 2: 10, 3: 5}),  # cut in the sixth step
    ],
)
def test_a_stepped_stage_loads_the_first_core_throughout_and_the_last_one_in_the_last_step(duration_s, planned):
    assert planned_seconds(stage(pattern="stepped", dwell_s=5.0, duration_s=duration_s), BENCH) == planned


@pytest.mark.parametrize(
    ("period_s", "on_percent", "duration_s", "planned_s"),
    [
        (0.001, 10.0, 10.0, 1.0),
        (0.02, 50.0, 10.0, 5.0),
        (10.0, 90.0, 30.0, 27.0),
        (4.0, 50.0, 9.0, 5.0),  # the third pulse is cut while it is on
        (4.0, 25.0, 10.5, 3.0),  # and here while it rests
    ],
)
def test_a_pulsed_stage_loads_every_core_for_its_share(period_s, on_percent, duration_s, planned_s):
    of = stage(pattern="pulsed", period_s=period_s, on_percent=on_percent, duration_s=duration_s)
    assert planned_seconds(of, BENCH) == dict.fromkeys(BENCH, planned_s)


def random_stage(seed, duration_s=20.0):
    return stage(pattern="random", shortest_s=0.001, longest_s=1.0, seed=seed, duration_s=duration_s)


@given(st.integers(0, 2**32 - 1))
def test_a_random_stage_loads_every_core_alike_and_its_seed_says_for_how_long(seed):
    planned = planned_seconds(random_stage(seed), BENCH)
    assert len(set(planned.values())) == 1
    assert 0.0 < planned[0] < 20.0
    assert planned == planned_seconds(random_stage(seed), BENCH)


def test_random_stages_with_different_seeds_differ():
    assert len({planned_seconds(random_stage(seed), BENCH)[0] for seed in range(50)}) == 50


def test_a_random_stage_is_loaded_about_half_of_a_long_time():
    for seed in range(20):
        planned_s = planned_seconds(random_stage(seed, duration_s=36_000.0), BENCH)[0]
        assert 0.4 < planned_s / 36_000.0 < 0.6


def test_a_pattern_goes_to_the_workers_in_whole_nanoseconds():
    of = stage(pattern="pulsed", period_s=0.003, on_percent=35.0)
    assert pattern_of(of) == Pattern(name="pulsed", period_ns=3_000_000, on_ns=1_050_000)
    assert pattern_of(stage(pattern="walking", dwell_s=0.7)) == Pattern(name="walking", dwell_ns=700_000_000)
    assert pattern_of(random_stage(9)) == Pattern(
        name="random", shortest_ns=1_000_000, longest_ns=1_000_000_000, seed=9
    )
