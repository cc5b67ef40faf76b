"""Which cores are active when: the same arithmetic that the workers follow, seen from all of them together."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_parts import stage

from soakd.model.pattern import cycle_of
from soakd.rules.expected import pattern_of
from soakd.rules.turns import Turns

PATTERNS = st.sampled_from(
    [
        {},
        {"pattern": "walking", "dwell_s": 0.7},
        {"pattern": "stepped", "dwell_s": 0.7},
        {"pattern": "pulsed", "period_s": 0.02, "on_percent": 30.0},
        {"pattern": "random", "shortest_s": 0.001, "longest_s": 0.5, "seed": 7},
    ]
)
MOMENT = st.floats(0.0, 25.0)


@given(PATTERNS, st.integers(1, 6), MOMENT, MOMENT)
def test_the_turns_of_a_worker_hold_exactly_the_load_that_its_own_cycle_gives(pattern, count, one_s, other_s):
    from_s, to_s = sorted((one_s, other_s))
    cores = tuple(range(10, 10 + count))
    of_stage = stage(duration_s=20.0, **pattern)
    turns = list(Turns(of_stage, cores, {}).between(from_s, to_s))
    for worker, core in enumerate(cores):
        cycle = cycle_of(pattern_of(of_stage), worker, count)
        first_ns, last_ns = (cycle.load_ns(round(min(moment_s, 20.0) * 1e9)) for moment_s in (from_s, to_s))
        assert sum(s for turn, s in turns if core in turn.workers) == pytest.approx(
            (last_ns - first_ns) / 1e9, abs=1e-8
        )


@given(PATTERNS, st.integers(1, 6))
def test_what_is_planned_is_what_all_turns_add_up_to(pattern, count):
    of_stage = stage(duration_s=20.0, **pattern)
    planned = Turns(of_stage, range(count), {}).planned()
    for core in range(count):
        cycle = cycle_of(pattern_of(of_stage), core, count)
        assert sum(s for (at, _), s in planned.items() if at == core) == pytest.approx(cycle.load_ns(20 * 10**9) / 1e9)


def test_one_core_after_another_is_one_active_core_and_steps_are_one_more_each():
    walking = stage(pattern="walking", dwell_s=2.0, duration_s=8.0)
    assert Turns(walking, (0, 1), {}).planned() == {(0, 1): 4.0, (1, 1): 4.0}
    stepped = stage(pattern="stepped", dwell_s=2.0, duration_s=10.0)
    assert Turns(stepped, (0, 1, 2), {}).planned() == {
        (0, 1): 4.0,
        (0, 2): 4.0,
        (1, 2): 4.0,
        (0, 3): 2.0,
        (1, 3): 2.0,
        (2, 3): 2.0,
    }  # 2 s with one, 2 s with two, 2 s with three, and again 2 s with one and 2 s with two


def test_two_threads_of_one_core_are_one_active_core():
    siblings = {0: 0, 1: 1, 2: 0, 3: 1}
    (turn,) = Turns(stage(), (0, 1, 2, 3), siblings).turns
    assert (turn.active, turn.threads, turn.fewest) == (2, {0: 2, 1: 2}, 2)
    walking = stage(pattern="walking", dwell_s=1.0, duration_s=4.0)
    assert Turns(walking, (0, 1, 2, 3), siblings).planned() == {(0, 1): 2.0, (1, 1): 2.0}


@pytest.mark.parametrize(
    "changes",
    [
        {"pattern": "pulsed", "period_s": 0.02, "on_percent": 30.0},
        {"workload": "exchange"},
        {"workload": "memory", "memory_percent": 5.0},
    ],
)
def test_where_cores_rest_or_wait_there_may_be_but_one_active_at_a_moment(changes):
    (turn,) = Turns(stage(**changes), (0, 1, 2), {}).turns
    assert (turn.active, turn.fewest) == (3, 1)


def test_after_the_end_of_a_stage_there_is_no_load():
    for pattern in ({}, {"pattern": "walking", "dwell_s": 1.0}):
        assert sum(s for _, s in Turns(stage(**pattern), (0, 1), {}).between(10.0, 99.0)) == 0.0
