"""Virtual workers keep to the plan's patterns: what they have done by any moment is what the pattern gave them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from virtual_parts import lantern, stage

from soakd.model.pace import ROUND_S
from soakd.model.plan import Stage
from soakd.rules.expected import planned_seconds
from soakd.virtual.draws import Draws
from soakd.virtual.shift import Fate, Shift, error_draws

CORES = (0, 1, 2, 3)
PHYSICAL = {0: 0, 1: 1, 2: 0, 3: 1}
PATTERNS = {
    "steady": {},
    "walking": {"dwell_s": 3.3},
    "stepped": {"dwell_s": 2.0},
    "slow pulses": {"pattern": "pulsed", "period_s": 4.0, "on_percent": 50.0},
    "fast pulses": {"pattern": "pulsed", "period_s": 0.02, "on_percent": 30.0},
    "random": {"shortest_s": 0.01, "longest_s": 2.0, "seed": 4},
}


def shift_of(name="steady", duration_s=60.0, **more):
    wanted = {"pattern": name, **PATTERNS[name]}
    of = Stage(**{"name": "a", "workload": "integer", "duration_s": duration_s, **wanted, **more})
    made = Shift(lantern(), of, "scalar", CORES, PHYSICAL)
    made.start(100.0, duration_s, {core: error_draws(1, 0, core) for core in CORES})
    return made, of


def done_s(shift, now_s):
    return {core: totals.checked_s for core, totals in shift.totals(now_s).items()}


@pytest.mark.parametrize("name", PATTERNS)
def test_in_the_end_each_worker_has_checked_what_the_pattern_gives_it(name):
    """But for what is too short for a round."""
    shift, of = shift_of(name)
    planned = planned_seconds(of, CORES)
    assert done_s(shift, 160.0) == pytest.approx(planned, abs=0.031)
    assert shift.states(160.0) == dict.fromkeys(CORES, "done")


@given(st.sampled_from(list(PATTERNS)), st.lists(st.floats(0.0, 60.0), min_size=1, max_size=12))
def test_how_often_anybody_looks_changes_nothing(name, moments):
    often, seldom = shift_of(name)[0], shift_of(name)[0]
    for moment_s in sorted(moments):
        often.totals(100.0 + moment_s)
    last_s = 100.0 + max(moments)
    assert [t.checked_s for t in often.totals(last_s).values()] == pytest.approx(
        [t.checked_s for t in seldom.totals(last_s).values()], abs=1e-9
    )


@pytest.mark.parametrize("name", PATTERNS)
def test_rounds_are_whole_checked_and_in_the_past(name):
    shift, _ = shift_of(name)
    was = {}
    for tenths in range(601):
        now_s = 100.0 + tenths / 10
        for core, totals in shift.totals(now_s).items():
            assert totals.until_s <= now_s - 100.0 + 1e-9
            assert totals.rounds >= math.floor(totals.checked_s / ROUND_S)
            before = was.get(core)
            if before is not None:
                assert totals.rounds >= before.rounds
                assert totals.until_s >= before.until_s
                assert totals.checked_s - before.checked_s <= totals.until_s - before.until_s + 0.5
            was[core] = totals


@pytest.mark.parametrize("name", PATTERNS)
def test_load_on_the_bench_adds_up_to_the_plan_s(name):
    """Stepped through as the bench does: to each edge, or a second at most. Cores 0 and 2 are one physical core."""
    shift, of = shift_of(name)
    now_s, seconds = 100.0, {0: 0.0, 1: 0.0}
    while now_s < 160.0:
        to_s = min(now_s + 1.0, shift.edge_after(now_s), 160.0)
        assert to_s > now_s
        for core, share in shift.shares(now_s, to_s).items():
            seconds[core] += share * (to_s - now_s)
        now_s = to_s
    planned = planned_seconds(of, CORES)
    together = {"walking": planned[0] + planned[2]}.get(name, planned[0])
    assert seconds[0] == pytest.approx(together, abs=0.01)


def test_a_walk_is_one_core_at_a_time():
    shift, _ = shift_of("walking")
    assert shift.shares(100.5, 101.0) == {0: 1.0}
    assert shift.states(101.0) == {0: "working", 1: "resting", 2: "resting", 3: "resting"}
    assert shift.edge_after(101.0) == pytest.approx(103.3)
    assert shift.shares(103.3, 104.3) == {1: 1.0}


def test_fast_pulses_are_taken_at_their_mean():
    shift, _ = shift_of("fast pulses")
    assert shift.edge_after(101.0) == 160.0
    assert shift.shares(101.0, 102.0) == pytest.approx({0: 0.3, 1: 0.3})


def test_memory_is_swept_as_fast_as_the_bench_can():
    of = stage(workload="memory", memory_percent=50.0, duration_s=100.0)
    shift = Shift(lantern(), of, "vector-512", CORES, PHYSICAL)
    shift.start(0.0, 100.0, {core: Draws(1, core) for core in CORES})
    assert shift.totals(100.0)[0].sweeps == 5, "40 s for all of it, so 20 s for half"


def test_errors_come_at_the_expected_rate():
    """A Poisson process: 2,000 streams of 3 expected errors in 1,000 steps; mean and variance 3, within 4 errors."""
    counts = []
    for stream in range(2000):
        fate = Fate(Draws(5, stream))
        counts.append(sum(fate.struck(0.003) for _ in range(1000)))
    mean = sum(counts) / 2000
    variance = sum((count - mean) ** 2 for count in counts) / 1999
    assert mean == pytest.approx(3.0, abs=4 * math.sqrt(3.0 / 2000))
    assert variance == pytest.approx(3.0, abs=4 * 3.0 * math.sqrt(2.0 / 2000 + 1.0 / 3.0 / 2000))


def test_the_moment_of_an_error_does_not_depend_on_the_steps():
    for stream in range(50):
        fine, coarse = Fate(Draws(6, stream)), Fate(Draws(6, stream))
        finely = next(step for step in range(100_000) if fine.struck(0.001))
        coarsely = next(step for step in range(1000) if coarse.struck(0.1))
        assert finely // 100 - coarsely in {0, -1, 1}


def test_a_wrong_result_is_one_flipped_bit_told_once():
    shift, _ = shift_of()
    shift.endure(100.0, 101.0, {1: 50.0}, {0: 4000.0, 1: 4000.0})
    assert {wrong.core for wrong in shift.wrong} == {1, 3}, "both threads of the physical core"
    for wrong in shift.wrong:
        assert (wrong.expected ^ wrong.actual).bit_count() == 1
        assert wrong.round == 3, "two whole rounds lie behind"
    assert [t.mismatches for t in shift.totals(101.0).values()] == [0, 1, 0, 1]
