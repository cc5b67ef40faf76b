"""The guard: each rule, the moment at which it ends the load, and what it makes of the outcome."""

from __future__ import annotations

import math
import signal
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_parts import CPU, channel, limit, plan, stage, totals

from soakd.model.channels import Batch, Role
from soakd.model.crew import WorkerExited, WorkerWrong
from soakd.model.pace import ROUND_S
from soakd.rules.bounds import resolve
from soakd.rules.guard import MOST_REMARKS, Guard
from soakd.rules.workers import PATIENCE_S, START_PATIENCE_S, Patience, hung, worker_gone, wrong_result

COOLANT = "hwmon/board/coolant"
SWAP = "system/swap"
GUARD_LOOKS_EVERY_S = 0.1


@dataclass
class Look:
    """One worker as the guard sees it."""

    beats: int = 0
    state: str = "working"
    clock_mhz: float = 0.0
    totals: object = field(default_factory=lambda: totals(0))


def guard_of(of_plan=None, channels=None, begun_s=0.0):
    wanted = of_plan or plan()
    inputs = channels or [channel(critical=95.0)]
    return Guard(wanted, inputs, resolve(wanted, inputs)[0], begun_s=begun_s, suspended_s=100.0)


def batch(at_s, gaps=None, **values):
    return Batch(source="s", at_s=at_s, values=values, gaps=gaps or {})


def heat(at_s, value):
    return batch(at_s, **{CPU: value})


def ticked(guard, now_s, *, late_s=0.0, suspended_s=100.0):
    """What one tick decides: rule, weight, whether the load ends."""
    decisions = guard.tick(now_s, late_s, suspended_s)[2]
    return [(d.finding.rule, d.finding.weight, d.stops) for d in decisions]


def wrong(core=0, number=3, expected=0xFF, actual=0xF7):
    return WorkerWrong(core=core, round=number, where="stream 2", expected=expected, actual=actual)


def test_a_broken_bound_ends_the_load_with_the_batch_that_breaks_it():
    guard = guard_of(begun_s=100.0)
    guard.stage_begins(0, "scalar", 101.0)
    assert guard.readings(heat(103.0, 90.0)) == []
    (decision,) = guard.readings(heat(104.0, 90.5))
    assert decision.stops
    assert decision.finding.rule == "limit-broken"
    assert (decision.finding.at_s, decision.finding.stage) == (4.0, 0)


def test_bounds_are_kept_between_stages_as_well():
    (decision,) = guard_of().readings(heat(1.0, 99.0))
    assert (decision.stops, decision.finding.stage) == (True, None)


def test_an_absurd_reading_breaks_no_bound_and_is_told_as_a_gap():
    guard = guard_of()
    assert guard.readings(heat(1.0, 255.0)) == []
    values, gaps, _ = guard.tick(1.0, 0.0, 100.0)
    assert (values, gaps) == ({}, {CPU: "absurd: 255"})


def test_what_a_source_remarks_goes_on_record_and_decides_nothing_and_comes_before_what_does():
    guard = guard_of(begun_s=1.0)
    said = Batch(source="log", at_s=3.0, values={CPU: 99.0}, gaps={}, remarks={CPU: "line 1: it is hot"})
    remark, breach = guard.readings(said)
    assert (remark.stops, remark.finding.weight, remark.finding.rule) == (False, "note", "remark")
    assert (remark.finding.text, remark.finding.at_s) == (f"{CPU}: line 1: it is hot", 2.0)
    assert (breach.stops, breach.finding.rule) == (True, "limit-broken")


def test_a_source_that_never_stops_talking_fills_no_journal():
    guard = guard_of()
    said = [
        len(guard.readings(Batch(source="log", at_s=float(n), values={}, gaps={}, remarks={CPU: str(n)})))
        for n in range(MOST_REMARKS + 50)
    ]
    assert said == [1] * MOST_REMARKS + [0] * 50


@pytest.mark.parametrize(
    ("changes", "frozen"),
    [
        pytest.param({}, True, id="all cores at once"),
        pytest.param({"cores": (0,)}, False, id="one core may warm the package by no more than a step"),
        pytest.param({"pattern": "walking", "dwell_s": 1.0}, False, id="one core after another"),
    ],
)
def test_a_sensor_that_trembles_within_its_resolution_is_frozen_if_all_cores_were_loaded(changes, frozen):
    guard = guard_of(plan(stage(duration_s=600.0, **changes)))
    for second in range(20):
        guard.readings(heat(float(second), 50.0 + second % 2))
    guard.stage_begins(0, "scalar", 20.0)
    for second in range(20, 150):
        guard.readings(heat(float(second), 50.0 + second % 2))
    assert (CPU in guard.tick(150.0, 0.0, 100.0)[1]) is frozen


def test_a_count_that_passes_its_limit_fails_the_run_in_its_own_unit():
    checks = channel("kernel log/machine checks", Role.MACHINE_CHECKS)
    guard = guard_of(plan(limits=[limit("machine-checks", above="0 events")]), [channel(), checks])
    assert guard.readings(batch(1.0, **{checks.name: 0.0})) == []
    (decision,) = guard.readings(batch(2.0, **{checks.name: 1.0}))
    assert (decision.stops, decision.finding.weight, decision.finding.unit) == (True, "fail", "events")
    assert decision.finding.text == ("machine-checks: kernel log/machine checks read 1 events, above 0 events (plan)")


LOST = [("required-reading-lost", "inconclusive", True)]


def blind(guard, now_s):
    return [(d.finding.rule, d.finding.weight, d.stops) for d in guard.blind(now_s)]


@pytest.mark.parametrize("kind", ["silent", "gap", "absurd"])
def test_losing_a_watched_reading_ends_the_load_after_the_gap_s_hold_time(kind):
    """Counted from the last reading that could be believed, whatever came after it."""
    guard = guard_of(plan(gap_hold_s=5.0))
    guard.readings(heat(10.0, 70.0))
    for now in range(11, 17):
        if kind == "gap":
            guard.readings(batch(float(now), gaps={CPU: "input/output error"}))
        if kind == "absurd":
            guard.readings(heat(float(now), -128.0))
        assert blind(guard, now - 0.01) == ([] if now <= 15 else LOST), now
    (decision,) = guard.blind(16.0)
    assert "no reading for 6.0 s" in decision.finding.text
    assert decision.finding.channel == CPU


def test_blindness_is_seen_whenever_the_workers_are_looked_at_and_not_only_on_ticks():
    guard = guard_of(plan(gap_hold_s=5.0))
    guard.readings(heat(1.0, 70.0))
    guard.stage_begins(0, "scalar", 1.0)
    assert guard.looks({0: Look(beats=1)}, 5.9, lambda _: "R") == []
    (decision,) = guard.looks({0: Look(beats=2)}, 6.0, lambda _: "R")
    assert decision.finding.rule == "required-reading-lost"


def test_a_sparse_grid_is_not_mistaken_for_blindness():
    """Read every ten seconds, a channel is ten seconds old before its next reading."""
    guard = guard_of(plan(gap_hold_s=5.0, tick_s=10.0))
    guard.readings(heat(0.0, 70.0))
    assert blind(guard, 24.9) == []
    assert blind(guard, 25.0) == LOST


def test_a_watched_reading_that_comes_back_in_time_starts_the_hold_anew():
    guard = guard_of(plan(gap_hold_s=2.0))
    for now in range(1, 20):
        if now % 2:
            guard.readings(batch(float(now), gaps={CPU: "busy"}))
        else:
            guard.readings(heat(float(now), 70.0))
        assert blind(guard, float(now)) == []


def test_every_watched_channel_is_required_and_not_only_one_of_its_role():
    """The pump's sensor is lost while another fan still reads: nobody watches the pump any more."""
    pump, fan = channel("hwmon/board/pump", Role.FAN), channel("hwmon/board/fan 2", Role.FAN)
    guard = guard_of(plan(limits=[limit("fan", below="900 rpm")], gap_hold_s=5.0), [channel(), pump, fan])
    for now in range(8):
        guard.readings(batch(float(now), gaps={pump.name: "gone"}, **{fan.name: 1200.0, CPU: 60.0 + now}))
    decisions = guard.blind(7.0)
    assert [decision.finding.channel for decision in decisions] == [pump.name]


def test_a_channel_that_no_limit_watches_may_be_lost():
    guard = guard_of(plan(gap_hold_s=5.0), [channel(), channel("hwmon/board/fan 2", Role.FAN)])
    for now in range(20):
        guard.readings(heat(float(now), 60.0 + now))
        assert blind(guard, float(now)) == []


def test_if_available_decides_the_start_and_not_what_losing_a_sensor_means():
    guard = guard_of(plan(temperature="if-available", gap_hold_s=5.0))
    guard.readings(heat(0.0, 70.0))
    assert blind(guard, 4.9) == []
    assert blind(guard, 5.0) == LOST


def test_a_coarse_sensor_under_equal_stages_in_a_row_is_not_called_frozen():
    """71 °C throughout, at a resolution of 1 °C: only a change from settled rest to load has to show."""
    guard = guard_of(plan(stage(), stage(), gap_hold_s=5.0))
    guard.readings(heat(0.0, 40.0))
    guard.stage_begins(0, "scalar", 1.0)
    for now in range(2, 200):
        guard.readings(heat(float(now), 71.0))
        if now == 100:
            guard.stage_ends(100.0)
            guard.stage_begins(1, "scalar", 101.0)
        assert blind(guard, float(now)) == []


def test_a_sensor_that_never_moved_since_before_the_load_is_frozen_and_ends_it():
    guard = guard_of(plan(gap_hold_s=5.0))
    guard.readings(heat(0.0, 45.0))
    guard.stage_begins(0, "scalar", 1.0)
    found = []
    for now in range(2, 60):
        guard.readings(heat(float(now), 45.0))
        found += [(now, rule) for rule, _, _ in blind(guard, float(now))]
    assert found[0] == (35, "required-reading-lost")


def test_without_any_sensor_there_is_nothing_to_lose():
    guard = guard_of(plan(temperature="if-available"), [channel("hwmon/board/fan 2", Role.FAN)])
    assert [blind(guard, float(now)) for now in range(60)] == [[]] * 60


def fed(guard, now_s):
    guard.readings(heat(now_s, 60.0 + now_s % 7))
    return guard


@pytest.mark.parametrize(
    ("late_s", "found"),
    [(0.0, []), (4.99, []), (5.0, [("guard-blind", "inconclusive", True)])],
)
def test_a_guard_that_was_not_scheduled_for_its_hold_time_ends_the_load(late_s, found):
    assert ticked(fed(guard_of(plan(lost_tick_hold_s=5.0)), 1.0), 1.0, late_s=late_s) == found


@pytest.mark.parametrize(("late_s", "due", "lost"), [(0.0, 1, 0), (0.99, 1, 0), (1.0, 2, 1), (3.5, 4, 3)])
def test_a_late_tick_counts_those_that_it_missed(late_s, due, lost):
    guard = guard_of(plan(tick_s=1.0))
    guard.tick(10.0, late_s, 100.0)
    assert (guard.ticks_due, guard.ticks_lost) == (due, lost)


@pytest.mark.parametrize(
    ("suspended_s", "found"),
    [
        (100.0, []),
        (100.4, []),
        (100.5, [("suspended", "inconclusive", True)]),
        (160.0, [("suspended", "inconclusive", True)]),
    ],
)
def test_a_machine_that_slept_ends_the_load(suspended_s, found):
    """What it had slept before the run does not count."""
    assert ticked(fed(guard_of(), 1.0), 1.0, suspended_s=suspended_s) == found


def swapping(workload, moved_mib, *, readings=2, **rules):
    memory = {"memory_percent": 50.0} if workload == "memory" else {}
    wanted = plan(stage(workload=workload, **memory), temperature="if-available", **rules)
    guard = guard_of(wanted, [channel(), channel(SWAP, Role.SWAP_TRAFFIC)])
    if readings == 2:
        guard.readings(batch(0.5, **{SWAP: 1000.0}))
    guard.stage_begins(0, "scalar", 1.0)
    ticked(guard, 1.0)
    guard.readings(batch(2.0, **{SWAP: 1000.0 + moved_mib}))
    return ticked(guard, 2.0)


@pytest.mark.parametrize(
    ("workload", "moved_mib", "found"),
    [
        ("memory", 16.0, []),
        ("memory", 16.1, [("swapped", "inconclusive", True)]),
        ("integer", 5000.0, []),
        ("vector", 5000.0, []),
    ],
)
def test_swap_traffic_ends_a_memory_stage_and_no_other(workload, moved_mib, found):
    assert swapping(workload, moved_mib, swap_mib=16.0) == found


def test_swap_traffic_is_counted_from_the_stage_s_first_reading():
    """Everything that was moved before the stage, or before its first reading, is not its own."""
    assert swapping("memory", 500.0, readings=1, swap_mib=16.0) == []


@pytest.mark.parametrize("threshold", [1, 2, 5])
def test_wrong_results_fail_each_time_and_end_the_load_at_the_plan_s_count(threshold):
    guard = guard_of(plan(mismatches=threshold))
    guard.stage_begins(0, "scalar", 0.0)
    decisions = [guard.wrong(wrong(core=n % 2), float(n))[0] for n in range(threshold)]
    assert [d.stops for d in decisions] == [False] * (threshold - 1) + [True]
    assert {d.finding.weight for d in decisions} == {"fail"}


def test_a_wrong_result_says_where_what_and_which_bits():
    """0xff against 0xf7 differ in bit 3 alone: arithmetic, no source needed."""
    finding = wrong_result(wrong(), workload="integer", instruction_class="scalar")
    assert finding.wrong is not None
    assert int(finding.wrong.flipped, 16) == 1 << 3
    assert all(part in finding.text for part in ("core 0", "integer (scalar)", "round 3", "stream 2", "bits 3"))
    assert finding.wrong.expected in finding.text
    assert finding.wrong.actual in finding.text


@given(st.integers(0, 2**64 - 1), st.integers(0, 2**64 - 1))
def test_the_named_bits_turn_the_expected_pattern_into_the_actual_one(expected, actual):
    finding = wrong_result(wrong(expected=expected, actual=actual), workload="w", instruction_class="c")
    named = finding.text.rpartition("flipped bits ")[2]
    bits = [] if named == "none" else [int(bit) for bit in named.split(", ")]
    assert expected ^ sum(1 << bit for bit in bits) == actual
    assert len(finding.wrong.expected) == len("0x") + 16


@pytest.mark.parametrize(
    ("code", "weight", "says"),
    [
        # signal(7): what a wrong address, opcode or arithmetic raises; and what only another process sends
        (-signal.SIGSEGV, "fail", "SIGSEGV"),
        (-signal.SIGBUS, "fail", "SIGBUS"),
        (-signal.SIGILL, "fail", "SIGILL"),
        (-signal.SIGFPE, "fail", "SIGFPE"),
        (-signal.SIGABRT, "fail", "SIGABRT"),
        (-signal.SIGTRAP, "fail", "SIGTRAP"),
        (-signal.SIGSYS, "fail", "SIGSYS"),
        (-signal.SIGKILL, "inconclusive", "short of memory, or somebody's hand"),
        (-signal.SIGTERM, "inconclusive", "SIGTERM"),
        (-signal.SIGINT, "inconclusive", "SIGINT"),
        (-(signal.SIGRTMIN + 1), "inconclusive", "unknown"),
        (0, "inconclusive", "ended with code 0"),
        (1, "inconclusive", "ended with code 1"),
    ],
)
def test_how_a_worker_ended_decides_what_it_means(code, weight, says):
    event = WorkerExited(core=1, pid=4101, code=int(code))
    finding = worker_gone(event)
    assert (finding.rule, finding.weight, finding.core) == ("worker-died", weight, 1)
    assert says in finding.text
    (decision,) = guard_of().exited(event, 1.0)
    assert decision.stops


@pytest.mark.parametrize(
    ("state", "weight"),
    [
        ("R", "fail"),
        ("S", "fail"),
        (None, "fail"),
        ("D", "inconclusive"),
        ("T", "inconclusive"),
        ("t", "inconclusive"),
    ],
)
def test_a_worker_that_is_held_from_outside_says_nothing_about_the_core(state, weight):
    """proc(5), state letters: T stopped on a signal, t stopped by a tracer, D waiting for a device."""
    finding = hung(Look(beats=1, totals=totals(1)), 1.3, process_state=state)
    assert (finding.rule, finding.weight, finding.core) == ("worker-hung", weight, 1)


def still_since(steps, *, state="working"):
    """Time at which a worker whose beats do not move is called hung, looking at the given times; None if never."""
    patience = Patience()
    for now in steps:
        if patience.observe({0: Look(beats=7, state=state)}, now):
            return now
    return None


def test_a_worker_without_a_beat_is_hung_within_three_rounds():
    steps = [n * GUARD_LOOKS_EVERY_S for n in range(100)]
    hung_at_s = still_since(steps)
    assert hung_at_s is not None
    assert PATIENCE_S - 1e-6 <= hung_at_s <= 3 * ROUND_S


def test_a_worker_that_gets_ready_is_given_longer_and_then_only_stops_the_run():
    """Locking a large share of memory can wait for the kernel to make room."""
    steps = [n * GUARD_LOOKS_EVERY_S for n in range(400)]
    assert still_since(steps, state="starting") == pytest.approx(START_PATIENCE_S, abs=0.2)
    finding = hung(Look(beats=1, state="starting", totals=totals(1)), 30.0, process_state="R")
    assert finding.weight == "inconclusive"


def test_a_worker_that_is_done_may_stand_still():
    assert still_since([n * GUARD_LOOKS_EVERY_S for n in range(100)], state="done") is None


def test_a_pause_of_the_whole_machine_is_not_blamed_on_a_worker():
    """One look after an hour counts like one after a fifth of a second."""
    assert still_since([0.0, 0.1, 3600.0, 3600.1]) is None


def test_a_new_stage_starts_with_new_patience():
    patience, look = Patience(), {0: Look(beats=7)}
    for n in range(12):
        patience.observe(look, n * GUARD_LOOKS_EVERY_S)
    patience.reset()
    assert [patience.observe(look, 2.0 + n * GUARD_LOOKS_EVERY_S) for n in range(12)] == [{}] * 12


def test_the_guard_begins_each_stage_with_new_patience():
    guard, looks = guard_of(), {0: Look(beats=7)}
    times = [n * GUARD_LOOKS_EVERY_S for n in range(12)]
    for began_s in (0.0, 2.0, 4.0):
        guard.readings(heat(began_s, 60.0 + began_s))
        guard.stage_begins(0, "scalar", began_s)
        assert [guard.looks(looks, began_s + t, lambda _: "R") for t in times] == [[]] * len(times)


def test_only_the_worker_that_stands_still_is_named_and_its_process_asked_about():
    guard, asked = guard_of(), []
    guard.stage_begins(0, "scalar", 0.0)
    decisions = []
    for n in range(20):
        guard.readings(heat(n * GUARD_LOOKS_EVERY_S, 60.0 + n))
        looks = {0: Look(beats=n), 1: Look(beats=7, totals=totals(1))}
        decisions += guard.looks(looks, n * GUARD_LOOKS_EVERY_S, lambda core: asked.append(core) or "R")
    assert {d.finding.core for d in decisions} == {1} == set(asked)
    assert all(d.stops and d.finding.weight == "fail" for d in decisions)


@given(st.lists(st.floats(0.0, 100.0), min_size=1, max_size=60))
def test_patience_never_ends_while_beats_move(steps):
    patience, now = Patience(), 0.0
    for beats, step in enumerate(steps):
        now += step
        assert patience.observe({0: Look(beats=beats)}, now) == {}


@given(st.lists(st.floats(0.0, 100.0), max_size=60))
def test_patience_lasts_for_seven_looks_however_long_they_are_apart(steps):
    """A look counts for a fifth of a second at most, so that 1.25 s of patience are no fewer than seven looks."""
    patience, now, looks_without_beat = Patience(), 0.0, -1
    for step in steps:
        now += step
        looks_without_beat += 1
        if patience.observe({0: Look(beats=7)}, now):
            assert looks_without_beat >= 7
            return


@given(st.lists(st.sampled_from([60.0, 70.0, 80.0, 90.0, 255.0, None]), max_size=30))
def test_with_every_reading_within_its_bound_and_no_long_gap_the_guard_keeps_still(readings):
    guard = guard_of(plan(gap_hold_s=60.0))
    guard.stage_begins(0, "scalar", 0.0)
    for now, reading in enumerate(readings, start=1):
        given_batch = batch(float(now), gaps={CPU: "busy"}) if reading is None else heat(float(now), reading)
        assert guard.readings(given_batch) == []
        assert ticked(guard, float(now)) == []


@pytest.mark.parametrize(
    ("then", "weight", "stops"), [("stop", "fail", True), ("fail", "fail", False), ("note", "note", False)]
)
def test_the_plan_says_of_each_limit_what_follows_when_it_is_broken(then, weight, stops):
    guard = guard_of(plan(limits=[limit(above="80 °C", then=then)]))
    guard.stage_begins(0, "scalar", 0.0)
    (decision,) = guard.readings(heat(1.0, 85.0))
    assert (decision.finding.rule, decision.finding.weight, decision.stops) == ("limit-broken", weight, stops)


def test_what_stops_the_load_comes_last():
    limits = [limit(above="85 °C"), limit(above="80 °C", then="note"), limit(above="81 °C", then="fail")]
    guard = guard_of(plan(limits=limits))
    assert [d.stops for d in guard.readings(heat(1.0, 90.0))] == [False, False, True]


def test_a_channel_whose_limit_only_notes_may_be_lost_and_one_that_is_taken_away_may_not():
    noted, coolant = channel("hwmon/board/fan 2", Role.FAN), channel(COOLANT, Role.COOLANT_TEMPERATURE)
    limits = [limit("fan", below="900 rpm", then="note"), limit(minus=COOLANT, above="50 K", then="fail")]
    guard = guard_of(plan(limits=limits, gap_hold_s=5.0), [channel(critical=95.0), noted, coolant])
    for now in range(8):
        guard.readings(heat(float(now), 60.0 + now))
    assert [decision.finding.channel for decision in guard.blind(7.0)] == [COOLANT]


def foreseen(**rules):
    """What ticks decide while a processor heats with 60 s towards 100 °C, its limit at 90."""
    guard = guard_of(plan(stage(duration_s=300.0), **rules), begun_s=0.0)
    guard.stage_begins(0, "scalar", 0.0)
    found = []
    for now in range(95):
        guard.readings(heat(float(now), 100.0 - 55.0 * math.exp(-now / 60.0)))
        found += [(now, *each) for each in ticked(guard, float(now))]
    return found


@pytest.mark.parametrize(("foresight", "weight", "stops"), [("note", "note", False), ("stop", "inconclusive", True)])
def test_a_limit_that_is_coming_within_a_minute_is_told_of_and_may_stop_the_load(foresight, weight, stops):
    """The limit is reached after 60 ln 5.5 = 102 s."""
    ((now, *said),) = foreseen(foresight=foresight)
    assert said == ["limit-ahead", weight, stops]
    assert 42 <= now <= 60


def test_after_a_stop_the_guard_hears_of_nothing_but_the_cooling():
    guard = guard_of()
    guard.readings(heat(0.0, 40.0))
    guard.stage_begins(0, "scalar", 1.0)
    (decision,) = guard.readings(heat(10.0, 92.0))
    guard.stage_ends(10.0)
    guard.load_gone(10.0, survivors=0)
    assert decision.stops
    assert not guard.cooled(10.0)
    for now in range(11, 15):
        values, found = guard.cooling(batch(float(now), **{CPU: 92.0 - 4.0 * (now - 10), SWAP: 3.0}))
        assert (values, found) == ({CPU: 92.0 - 4.0 * (now - 10)}, [])
    for now in range(15, 40):
        guard.cooling(heat(float(now), 60.0))
        if guard.cooled(float(now)):
            break
    assert now == 15
    assert guard.watched_cooling(15.0) == []


def test_a_bench_that_heats_on_is_found_without_a_stage_and_stops_nothing_more():
    guard = guard_of(begun_s=100.0)
    guard.readings(heat(100.0, 40.0))
    guard.readings(heat(110.0, 89.0))
    guard.load_gone(110.0, survivors=0)
    found = [d for now in range(111, 140) for d in guard.cooling(heat(float(now), 89.0 + 0.5 * (now - 110)))[1]]
    (decision,) = found
    assert (decision.finding.rule, decision.finding.stage, decision.stops) == ("still-heating", None, False)
    assert 20.0 < decision.finding.at_s < 30.0
