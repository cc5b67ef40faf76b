"""How long the plan loads each core."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_parts import stage

from soakd.rules.expected import planned_seconds, stage_cores

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
