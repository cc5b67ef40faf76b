"""What a plan visits: against a look at every moment of it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plan_parts import CLASSES, ground, sheet, survey
from run_parts import plan, stage
from sheet_parts import orderly_clocks

from soakd.model.pattern import cycle_of
from soakd.rules.expected import pattern_of, stage_cores
from soakd.rules.plan_check import class_for
from soakd.rules.planned import planned_visits
from soakd.rules.points import Point, point_of

BENCH = range(8)
FOUR_CORES = {core: core % 4 for core in BENCH}


def visits(*stages, clocks=None, physical=FOUR_CORES):
    return planned_visits(
        plan(*stages),
        clocks or sheet(1, 3).clocks,
        bench_cores=BENCH,
        physical=physical,
        class_of=lambda one: class_for(one, CLASSES[one.kernel]),
    )


def at(core, active, width=64):
    return Point(core, active, width, 0)


def test_threads_of_one_core_are_one_active_core():
    assert visits(stage(cores=(2, 6))) == {at(2, 1): 10.0}
    assert visits(stage(cores=(0, 4, 1))) == {at(0, 3): 10.0, at(1, 3): 10.0}
    assert visits(stage()) == {at(core, 4): 10.0 for core in range(4)}


def test_a_core_that_the_system_does_not_place_is_one_of_its_own():
    assert visits(stage(cores=(6, 7)), physical={}) == {at(6, 3): 10.0, at(7, 3): 10.0}


def test_a_walk_visits_each_core_alone_and_its_end_cuts_the_last_turn():
    walk = stage(pattern="walking", dwell_s=4.0, cores=(0, 1, 2), duration_s=10.0)
    assert visits(walk) == {at(0, 1): 4.0, at(1, 1): 4.0, at(2, 1): 2.0}


def test_steps_pass_through_every_group():
    steps = stage(pattern="stepped", dwell_s=2.0, cores=(0, 4, 1, 2, 3), duration_s=10.0)
    assert visits(steps) == {
        at(0, 1): 4.0,  # its second thread joins, and it is still the only core
        at(0, 3): 4.0,
        at(1, 3): 4.0,
        at(2, 3): 2.0,
        **{at(core, 4): 2.0 for core in range(4)},
    }


def test_pulses_count_while_they_are_on():
    pulses = stage(pattern="pulsed", period_s=0.1, on_percent=30.0)
    assert visits(pulses) == {at(core, 4): pytest.approx(3.0) for core in range(4)}


def test_the_width_is_that_of_the_class_that_will_run():
    wide = stage(workload="vector", cores=(1,))
    assert visits(wide, wide.model_copy(update={"instruction_class": "vector-256-fma"})) == {
        at(1, 1, 512): 10.0,
        at(1, 1, 256): 10.0,
    }


@pytest.mark.parametrize("other", [{"workload": "exchange"}, {"workload": "memory", "memory_percent": 50.0}])
def test_waiting_for_memory_or_for_other_cores_visits_no_point(other):
    assert visits(stage(**other)) == {}


PATTERNS = st.one_of(
    st.just({"pattern": "steady"}),
    st.integers(1, 5).map(lambda dwell: {"pattern": "walking", "dwell_s": float(dwell)}),
    st.integers(1, 5).map(lambda dwell: {"pattern": "stepped", "dwell_s": float(dwell)}),
    st.just({"pattern": "pulsed", "period_s": 4.0, "on_percent": 50.0}),
)


@given(
    st.lists(
        st.tuples(PATTERNS, st.lists(st.sampled_from(BENCH), min_size=1, unique=True), st.integers(10, 60)),
        min_size=1,
        max_size=4,
    ),
    orderly_clocks(),
    st.sampled_from([1, 2, 4]),
)
def test_it_is_what_a_look_at_every_second_sees(parts, clocks, threads):
    """Every pattern here changes on whole seconds only."""
    physical = {core: core // threads for core in BENCH}
    stages = [stage(**pattern, cores=tuple(cores), duration_s=float(length)) for pattern, cores, length in parts]
    seen: dict[Point, float] = {}
    for one in stages:
        cores = stage_cores(one, BENCH)
        cycles = {core: cycle_of(pattern_of(one), place, len(cores)) for place, core in enumerate(cores)}
        for second in range(int(one.duration_s)):
            working = {physical[core] for core in cores if cycles[core].at(second * 10**9 + 5 * 10**8).works}
            for core in working:
                point = point_of(
                    clocks, core=core, active=len(working), width=64, temperature_c=None,
                    cores=range(8 // threads),
                )  # fmt: skip
                seen[point] = seen.get(point, 0.0) + 1.0
    assert visits(*stages, clocks=clocks, physical=physical) == pytest.approx(seen)


def test_a_survey_names_what_is_left_out_and_what_is_visited_least():
    declared, on = sheet(1, 2, widths=(512,)), ground(4)
    walk = stage(workload="vector", pattern="walking", dwell_s=2.0, duration_s=8.0)
    found = survey(plan(walk, stage(), stage(cores=(0, 1), duration_s=3.0)), declared, on)
    assert (found.cores, found.named, found.widths) == ((0, 1, 2, 3), (1, 2, 4), (64, 512))
    assert found.load_s == 21.0
    assert found.weakest == at(0, 1, 512)
    assert set(found.left_out) == {
        *(at(core, 1) for core in range(4)),
        *(at(core, 2) for core in (2, 3)),
        *(at(core, active, 512) for core in range(4) for active in (2, 4)),
    }


def test_a_survey_of_a_plan_that_visits_nothing_has_no_least_visited_point():
    found = survey(plan(stage(workload="exchange")), sheet(1, 2), ground(4))
    assert found.weakest is None
    assert len(found.left_out) == len(found.seconds) == 4 * 3 * 3


def test_steps_down_make_no_points_that_could_be_planned():
    hot = sheet(1, 4, clocks={"steps_down": ({"at": "80 °C", "by": 1},)})
    assert {point.step for point in survey(plan(stage()), hot, ground(4)).seconds} == {0}
