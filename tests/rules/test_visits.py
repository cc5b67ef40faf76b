"""Operating points from a run's ticks: dwell, rounds, errors, and the clock against the one that the sheet allows."""

from __future__ import annotations

import pickle

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from load_parts import HUNDRED, bench, clocks, stage_story, story
from run_parts import CPU, evidence, plan, stage

from soakd.model.journal import EVENT, Tick
from soakd.model.sheet import CoreCeiling, StepDown, VectorLimit
from soakd.model.snapshot_parts import Topology
from soakd.rules.gather import class_key
from soakd.rules.planned import surveyed
from soakd.rules.turns import Turns
from soakd.rules.visits import Visits

VECTOR = {"workload": "vector"}
"""The bench of these tests runs it at 256 bits."""
WALK = {"pattern": "walking", "dwell_s": 2.0, "duration_s": 20.0}
STEPS = {"pattern": "stepped", "dwell_s": 2.0, "duration_s": 20.0}
FLAT = clocks((1, 50), (2, 50))


def points_of(record, **how):
    return evidence(record, story(record, **how)).points


def by_place(points, *, step=0):
    return {(p.core, p.active, p.width): p for p in points if p.step == step}


@settings(max_examples=60)
@given(
    st.sampled_from(["steady", "walking", "stepped", "pulsed"]),
    st.integers(1, 4),
    st.sampled_from([0.7, 1.0, 1.3, 2.0]),
    st.sampled_from([0.5, 1.0, 3.0]),
)
def test_load_that_was_checked_to_the_end_is_dwell_where_it_was_planned(pattern, count, dwell_s, tick_s):
    """Rounds begin before a core joins and end after it, and ticks come when they come: the shares are exact anyhow."""
    parts = {
        "steady": {},
        "pulsed": {"period_s": 0.5, "on_percent": 50.0},
        "walking": {"dwell_s": dwell_s},
        "stepped": {"dwell_s": dwell_s},
    }
    of_stage = stage(pattern=pattern, duration_s=18.0, **parts[pattern])
    cores = tuple(range(count))
    limits = clocks(*((active, 60 - active) for active in range(1, count + 1)))
    record = bench(plan(of_stage), limits, cores=cores)
    planned = Turns(of_stage, cores, {}).planned()
    for point in points_of(record, tick_s=tick_s, clock=None):
        wanted_s = planned.get((point.core, point.active), 0.0)
        assert point.planned_s == pytest.approx(wanted_s)
        assert point.dwelt_s == pytest.approx(wanted_s, abs=1e-3)
        assert point.state == ("covered" if wanted_s else "not visited")


def test_groups_of_active_cores_gather_what_happens_in_them():
    record = bench(plan(stage(**STEPS)), clocks((2, 52), (4, 50)), cores=(0, 1, 2, 3))
    points = by_place(points_of(record))
    assert {place: round(point.dwelt_s, 3) for place, point in points.items()} == {
        (0, 2, 64): 12.0, (1, 2, 64): 6.0, (2, 2, 64): 0.0, (3, 2, 64): 0.0,
        (0, 4, 64): 8.0, (1, 4, 64): 8.0, (2, 4, 64): 8.0, (3, 4, 64): 4.0,
    }  # fmt: skip


def test_widths_are_points_of_their_own_and_rounds_are_counted_once():
    record = bench(plan(stage(), stage(**VECTOR)), FLAT)
    points = by_place(points_of(record))
    assert [points[0, 2, width].rounds for width in (64, 256)] == [20, 20]
    assert [points[0, 2, width].dwelt_s for width in (64, 256)] == [pytest.approx(10.0)] * 2
    assert points[0, 1, 256].state == "not visited"


def test_two_threads_of_one_core_dwell_as_one():
    shot = {"topology": Topology(siblings=("0,2", "1,3")), "logical_cores": 4}
    record = bench(plan(stage()), FLAT, cores=(0, 1, 2, 3), shot=shot)
    points = by_place(points_of(record))
    assert set(points) == {(0, 1, 64), (0, 2, 64), (1, 1, 64), (1, 2, 64)}
    assert points[1, 2, 64].dwelt_s == pytest.approx(10.0)
    assert points[1, 2, 64].rounds == 40


def test_a_core_that_we_may_not_use_is_a_point_that_nobody_visits():
    shot = {"topology": Topology(siblings=("0", "1", "2", "3"))}
    record = bench(plan(stage()), clocks((4, 50)), shot=shot)
    assert {p.core: p.state for p in points_of(record)} == {
        0: "covered", 1: "covered", 2: "not visited", 3: "not visited",
    }  # fmt: skip


@pytest.mark.parametrize(("virtual", "dwelt_s"), [(None, 6.0), ("a host", 10.0)])
def test_only_on_a_real_machine_is_time_that_the_core_did_not_give_missing(virtual, dwelt_s):
    """As with the coverage of stages: in a virtual machine the host's part is stated, and not held against it."""
    record = bench(plan(stage()), FLAT, shot={"virtualisation": virtual})
    events = [
        event.model_copy(
            update={"workers": tuple(w.model_copy(update={"core_s": 0.6 * w.checked_s}) for w in event.workers)}
        )
        if isinstance(event, Tick) or event.kind == "stage-ended"
        else event
        for event in story(record)
    ]
    assert evidence(record, events).points[1].dwelt_s == pytest.approx(dwelt_s)


HOT = clocks((1, 50), (2, 50), steps_down=(StepDown(at_c=70.0, by=2), StepDown(at_c=85.0, by=5)))


def test_dwell_goes_to_the_step_down_that_the_temperature_of_the_moment_reaches():
    record = bench(plan(stage()), HOT)
    points = points_of(record, heat=lambda at_s: 60.0 if at_s < 4.0 else 70.0 if at_s < 9.0 else 85.0)
    dwelt = {(p.step, p.from_c): p.dwelt_s for p in points if (p.core, p.active) == (0, 2)}
    assert dwelt == {(0, None): pytest.approx(3.0), (1, 70.0): pytest.approx(5.0), (2, 85.0): pytest.approx(2.0)}
    assert {p.allowed_mhz for p in points if p.step == 2} == {4500.0}


def test_the_hottest_sensor_counts_and_a_missing_reading_leaves_the_last_one():
    record = bench(plan(stage(duration_s=4.0)), HOT)
    other = record.channels[0].model_copy(update={"name": "hwmon/x/y"})
    record = record.model_copy(update={"channels": (*record.channels, other)})
    hot = {2: {CPU: 60.0, "hwmon/x/y": 90.0}, 3: {}}
    events = [
        e.model_copy(update={"values": hot[e.number]}) if isinstance(e, Tick) and e.number in hot else e
        for e in story(record)
    ]
    dwelt = {p.step: p.dwelt_s for p in evidence(record, events).points if (p.core, p.active) == (0, 2)}
    assert dwelt == {0: pytest.approx(2.0), 1: 0.0, 2: pytest.approx(2.0)}


def test_a_step_s_temperature_is_never_planned_but_its_dwell_counts_for_core_group_and_width():
    record = bench(plan(stage(duration_s=20.0)), HOT)
    warm = {"heat": lambda at_s: 60.0 if at_s < 10.0 else 75.0, "clock": None}
    assert {(p.step, p.state, p.planned_s) for p in points_of(record, **warm) if p.active == 2} == {
        (0, "covered", 20.0), (1, "covered", 20.0), (2, "not visited", 20.0),
    }  # fmt: skip


# What the probe sees, and what follows for core 0 with both cores active; 1 % of tolerance, 10 s in all, 60 s of dwell.
LONG = plan(stage(duration_s=60.0))
SEEN = {
    "as declared": (5000.0, "covered"),
    "half a step of the ratio below": (4975.0, "covered"),
    "a whole step below": (4900.0, "not reached"),
    "below for ten seconds": (lambda _core, at_s: 4900.0 if at_s <= 10.0 else 5000.0, "covered"),
    "below for eleven seconds": (lambda _core, at_s: 4900.0 if at_s <= 11.0 else 5000.0, "not reached"),
    "below now and then": (lambda _core, at_s: 4900.0 if at_s % 4.0 == 0.0 else 5000.0, "not reached"),
    "a whole step above": (5100.0, "faster"),
    "above for ten seconds": (lambda _core, at_s: 5100.0 if at_s <= 10.0 else 5000.0, "covered"),
    "below on the other core": (lambda core, _at_s: 4900.0 if core == 1 else 5000.0, "covered"),
    "not seen": (None, "covered"),
}


@pytest.mark.parametrize("name", SEEN)
def test_a_point_is_reached_when_its_clock_was_the_allowed_one_but_for_the_hold(name):
    clock, state = SEEN[name]
    assert by_place(points_of(bench(LONG, FLAT), clock=clock))[0, 2, 64].state == state


def test_of_a_short_dwell_a_quarter_is_the_hold():
    short = plan(stage(duration_s=8.0))
    for low_s, state in ((2.0, "covered"), (3.0, "not reached")):
        points = points_of(bench(short, FLAT), clock=lambda _core, at_s, to=low_s: 4900.0 if at_s <= to else 5000.0)
        assert by_place(points)[0, 2, 64].state == state


def test_the_plan_says_how_far_and_how_long():
    low = {"clock": lambda _core, at_s: 4850.0 if at_s <= 12.0 else 5000.0}
    for changes, state in (
        ({}, "not reached"),
        ({"clock_tolerance_percent": 4.0}, "covered"),
        ({"clock_hold_s": 12.0}, "covered"),
    ):
        wanted = LONG.model_copy(update=changes)
        assert by_place(points_of(bench(wanted, FLAT), **low))[0, 2, 64].state == state


def test_the_numbers_of_a_point_that_was_not_reached():
    def clock(core, at_s):
        return 4630.0 if at_s <= 40.0 else 5100.0 if core == 0 else 4631.0

    point = by_place(points_of(bench(LONG, clocks((1, 51), (2, 51))), clock=clock))[0, 2, 64]
    assert (point.allowed_mhz, point.state) == (5100.0, "not reached")
    assert point.clock is not None
    assert (point.clock.minimum_mhz, point.clock.median_mhz, point.clock.maximum_mhz) == (4630.0, 4630.0, 5100.0)
    assert (point.held_s, point.below_s, point.above_s) == (pytest.approx(60.0), pytest.approx(40.0), 0.0)


def test_a_clock_is_held_against_reference_times_ratio_and_not_against_what_an_interface_would_say():
    """100.15 MHz × 65 = 6509.75 MHz; an interface that takes the reference for 100 MHz says 6500 (common practice, no
    source)."""
    declared = clocks((1, 65), (2, 65), reference_mhz=100.15)
    exact = LONG.model_copy(update={"clock_tolerance_percent": 0.1})
    for mhz, state in ((6509.75, "covered"), (6500.0, "not reached")):
        point = by_place(points_of(bench(exact, declared), clock=mhz))[0, 2, 64]
        assert (point.allowed_mhz, point.state) == (pytest.approx(6509.75), state)


def test_a_step_down_lowers_what_is_allowed_and_a_reading_on_either_side_of_it_is_enough():
    """The clock falls at the very second at which the temperature is crossed, before or after the tick that sees it."""
    heat = {"heat": lambda at_s: 60.0 if at_s < 20.0 else 75.0}
    for fall_s in (19.0, 20.0, 21.0):
        low = {"clock": lambda _core, at_s, fall_s=fall_s: 5000.0 if at_s < fall_s else 4800.0}
        points = points_of(bench(LONG, HOT), **heat, **low)
        assert [p.state for p in points if (p.core, p.active) == (0, 2)] == ["covered", "covered", "not visited"]
    points = points_of(bench(LONG, HOT), **heat, clock=4800.0)
    assert [p.state for p in points if (p.core, p.active) == (0, 2)] == ["not reached", "covered", "not visited"]


def test_each_core_and_width_has_its_own_ceiling():
    own = clocks(
        (1, 52), (2, 50), cores=(CoreCeiling(core=1, ratio=48),), vector=(VectorLimit(width=256, below=4),)
    )  # fmt: skip
    seen = {0: 5000.0, 1: 4800.0}
    record = bench(plan(stage(duration_s=60.0), stage(duration_s=60.0, **VECTOR)), own)
    points = by_place(points_of(record, clock=lambda core, _at_s: seen[core]))
    assert {place: p.allowed_mhz for place, p in points.items() if place[1] == 2} == {
        (0, 2, 64): 5000.0, (0, 2, 256): 4800.0, (1, 2, 64): 4800.0, (1, 2, 256): 4400.0,
    }  # fmt: skip
    assert {p.state for place, p in points.items() if place[1] == 2} == {"covered"}, (
        "the probe's own work is scalar: after a vector round it may see the scalar clock"
    )


def test_where_the_load_comes_and_goes_the_clock_of_one_active_core_is_no_surprise():
    pulses = plan(stage(pattern="pulsed", period_s=0.02, on_percent=50.0, duration_s=60.0))
    fast = clocks((1, 55), (2, 50))
    for mhz, state in ((5500.0, "covered"), (5000.0, "covered"), (5600.0, "faster"), (4900.0, "not reached")):
        points = by_place(points_of(bench(pulses, fast), clock=mhz))
        assert points[0, 2, 64].state == state


def test_at_the_edge_of_a_turn_either_number_of_active_cores_counts():
    """Each turn's last round ends as the next core begins: the clock seen then may be that of two active cores."""
    fast = clocks((1, 55), (2, 50))

    def clock(core, at_s):
        return 5000.0 if at_s % 2.0 == 0.0 else 5500.0

    points = by_place(points_of(bench(plan(stage(**WALK)), fast), clock=clock))
    assert [points[core, 1, 64].state for core in (0, 1)] == ["covered", "covered"]
    always = by_place(points_of(bench(plan(stage(**WALK)), fast), clock=5000.0))
    assert [always[core, 1, 64].state for core in (0, 1)] == ["not reached", "not reached"]


@pytest.mark.parametrize(
    ("vector", "width"),
    [((), 64), ((VectorLimit(width=128, below=1),), 128), ((VectorLimit(width=512, below=1),), 64)],
)
def test_memory_stages_hold_no_core_at_a_point_but_their_clock_counts_and_their_errors_do_not(vector, width):
    """At the widest registers, no wider than theirs (256 bits here), that make a point of their own."""
    memory = plan(stage(workload="memory", memory_percent=5.0, duration_s=60.0))
    record = bench(memory, clocks((1, 50), (2, 50), vector=vector))
    reached = by_place(points_of(record, clock=5000.0))[0, 2, width]
    assert (reached.state, reached.dwelt_s, reached.planned_s, reached.rounds) == ("not visited", 0.0, 0.0, 0)
    assert reached.held_s == pytest.approx(60.0)
    assert by_place(points_of(record, clock=4000.0))[0, 2, width].state == "not reached"
    events = story(record)
    wrong = tuple(w.model_copy(update={"mismatches": 1}) for w in events[-2].workers)
    told = next(e for e in reversed(events) if isinstance(e, Tick))
    events[events.index(told)] = told.model_copy(update={"workers": wrong})
    events[-2] = events[-2].model_copy(update={"workers": wrong})
    of_run = evidence(record, events)
    assert of_run.stages[0].mismatches == 2
    assert {point.errors for point in of_run.points} == {0}


def test_errors_stand_at_the_point_at_which_they_were_made():
    record = bench(plan(stage(), stage(**VECTOR)), FLAT)
    events = story(record)
    (place,) = [n for n, e in enumerate(events) if e.kind == "stage-ended" and e.stage == 1]
    first = [n for n, e in enumerate(events) if isinstance(e, Tick) and e.stage == 1 and e.number >= 6]
    for number in (*first, place):
        workers = tuple(w.model_copy(update={"mismatches": w.core}) for w in events[number].workers)
        events[number] = events[number].model_copy(update={"workers": workers})
    wrong = {(p.core, p.active, p.width): p.errors for p in evidence(record, events).points if p.errors}
    assert wrong == {(1, 2, 256): 1}


def test_without_a_reference_clock_or_any_limit_points_have_dwell_and_no_claim():
    for declared in (clocks(), clocks((1, 50), (2, 50), reference_mhz=None), None):
        points = points_of(bench(LONG, declared), clock=100.0)
        both = by_place(points)[0, 2, 64]
        assert (both.state, both.allowed_mhz, both.held_s) == ("covered", None, 0.0)
        assert both.clock is not None
        assert both.dwelt_s == pytest.approx(60.0)


def test_workers_that_do_not_say_when_their_rounds_ended_are_taken_to_have_worked_up_to_the_tick():
    record = bench(plan(stage(**STEPS)), clocks((1, 52), (2, 50)))
    events = []
    for event in story(record):
        workers = tuple(w.model_copy(update={"until_s": 0.0}) for w in getattr(event, "workers", ()))
        events.append(event.model_copy(update={"workers": workers}) if workers else event)
    points = by_place(evidence(record, events).points)
    assert points[0, 1, 64].dwelt_s == pytest.approx(10.0, abs=0.1)
    assert points[1, 2, 64].dwelt_s == pytest.approx(10.0, abs=0.1)


def test_a_stage_that_was_cut_short_leaves_its_points_short():
    record = bench(plan(stage(duration_s=60.0)), FLAT)
    events = [e for e in stage_story(record, 0, 1.0) if e.at_s < 20.0]
    point = by_place(evidence(record, events).points)[0, 2, 64]
    assert (point.state, point.planned_s, point.dwelt_s) == ("short", 60.0, pytest.approx(18.0))


def test_events_that_carry_new_facts_survive_the_wire():
    for event in story(bench(plan(stage(**STEPS)), FLAT)):
        assert EVENT.validate_json(event.model_dump_json()) == event


def test_a_long_night_needs_no_more_memory_than_a_short_one():
    """Three times as many ticks of the same points and clocks: what is kept differs by the length of its numbers."""
    sizes = []
    for duration_s in (1000.0, 3000.0):
        record = bench(plan(stage(duration_s=duration_s, pattern="stepped", dwell_s=5.0)), HOT, cores=tuple(range(4)))
        visits = Visits(record, [64])
        for event in stage_story(
            record, 0, 0.0, clock=lambda _core, at_s: 4900.0 + at_s % 200, heat=lambda at_s: 60.0 + at_s % 30
        ):
            if isinstance(event, Tick):
                visits.read(event.values)
                seen = {core: mhz for core in range(4) if (mhz := event.values.get(f"probe/core {core}"))}
                visits.work(0, event.at_s, event.workers, seen)
        sizes.append(len(pickle.dumps(visits)))
    assert sizes[1] < 1.1 * sizes[0]


def test_the_allowed_clock_is_the_ratio_times_the_reference():
    (point, *_) = points_of(bench(plan(stage()), clocks((1, 47.25), (2, 47.25))))
    assert point.allowed_mhz == 47.25 * HUNDRED


def test_a_verdict_and_the_check_of_its_plan_speak_of_the_same_points_and_times():
    stages = (stage(), stage(**STEPS), stage(**WALK, **VECTOR), stage(workload="memory", memory_percent=5.0))
    declared = clocks(
        (1, 52), (3, 51), (4, 50), vector=(VectorLimit(width=128, below=1), VectorLimit(width=512, below=3))
    )
    record = bench(plan(*stages), declared, cores=(0, 1, 2, 3))
    survey = surveyed(
        record.plan,
        declared,
        bench_cores=record.cores,
        physical={},
        class_of=lambda each: record.classes[class_key(each)],
    )
    found = {(p.core, p.active, p.width, p.step): p.planned_s for p in points_of(record)}
    assert found == {tuple(point): pytest.approx(load_s) for point, load_s in survey.seconds.items()}
