"""Load line, pulses that readings cannot see, and what a run's ticks come to."""

from __future__ import annotations

import random

import pytest
from run_parts import CPU, UNITS, channel, end, evidence, plan, record, stage, start, tick, totals, verdict

from soakd.model.channels import Role
from soakd.model.journal import StageAnnounced, StageEnded, StageStarted
from soakd.rules.demonstration import shown_mean_s
from soakd.rules.electrical import load_line, means, unseen_pulses
from soakd.rules.estimates import half_width
from soakd.rules.gather import Gatherer, probe_channel

STEP_V = 0.001


def pairs(set_v, currents_a, seed, resistance_ohm=0.0009, scatter_v=0.001):
    draws = random.Random(seed)
    return [
        (a, round((set_v - resistance_ohm * a + draws.gauss(0.0, scatter_v)) / STEP_V) * STEP_V) for a in currents_a
    ]


def test_a_load_line_is_found_within_what_is_stated_though_each_clock_has_its_own_voltage():
    """Of 100 seeds at least 90 (95 are expected); all groups in one line would give a wrong one."""
    held = 0
    for seed in range(100):
        draws = random.Random(seed)
        groups = [
            pairs(set_v, [low_a + draws.uniform(0.0, 25.0) for _ in range(40)], seed)
            for set_v, low_a in ((1.20, 80.0), (1.28, 60.0), (1.10, 90.0))
        ]
        found = load_line(groups, "current", STEP_V)
        assert (found.pairs, found.groups) == (120, 3)
        held += abs(found.resistance_mohm.value - 0.9) <= half_width(found.resistance_mohm, 0.95)
        assert found.resistance_mohm.sd < 0.06
    assert held >= 90


def test_the_lowest_reading_below_the_line_is_told():
    found = load_line([[*pairs(1.2, [80.0 + n for n in range(40)], 1), (100.0, 1.2 - 0.09 - 0.030)]], "current", STEP_V)
    assert found.lowest_below_mv == pytest.approx(30.0, abs=3.0)


def test_too_little_for_a_load_line_says_why():
    assert (
        load_line([pairs(1.2, [100.0, 101.0], 1)], "current", STEP_V)
        == "too few readings of voltage and current at one clock"
    )
    narrow = load_line([pairs(1.2, [100.0 + n * 0.01 for n in range(40)], 1)], "current", STEP_V)
    assert narrow == "at one clock the current changed by 0.4 A only"
    assert isinstance(load_line([], "current", STEP_V), str)


def test_pairs_are_means_of_half_a_minute():
    found = means([float(n) for n in range(90)], [1.0] * 30 + [2.0] * 60, [1.2] * 90)
    assert [amps for amps, _ in found] == [1.0, 2.0, 2.0]
    assert [v for _, v in found] == pytest.approx([1.2] * 3)


def test_pulses_shorter_than_readings_are_not_seen_and_that_is_said():
    short = stage(pattern="pulsed", period_s=0.02, on_percent=50.0)
    assert unseen_pulses([short], 1.0).startswith("pulses of 10 ms fall between readings every 1 s")
    assert unseen_pulses([stage()], 1.0) is None
    assert unseen_pulses([stage(pattern="pulsed", period_s=8.0, on_percent=50.0)], 1.0) is None


POWER, VOLTS, COOLANT = "powercap/package-0", "hwmon/board/Vcore", "hwmon/loop/Coolant"


def long_run(of_record, ticks=200):
    """One stage; each second two cores do 1e9 operations together, at 100 W."""
    events = [start(), StageAnnounced(at_s=1.0, stage=0), StageStarted(at_s=1.0, stage=0, pids={0: 1, 1: 2})]
    for n in range(ticks):
        workers = tuple(
            totals(core, rounds=2 * n, operations=n * 500_000_000, checked_s=float(n), core_s=float(n))
            for core in (0, 1)
        )
        values = {CPU: 70.0, COOLANT: 30.0, POWER: 100.0, VOLTS: 1.1 - 0.0001 * (n % 60), probe_channel(0): 4690.0}
        events.append(tick(2.0 + n, n, 0, values, workers=workers))
    events.append(StageEnded(at_s=2.0 + ticks, stage=0, complete=True, workers=events[-1].workers))
    return [*events, end(3.0 + ticks)]


@pytest.fixture
def measured_record():
    inputs = [
        channel(), channel(COOLANT, Role.COOLANT_TEMPERATURE), channel(POWER, Role.PACKAGE_POWER),
        channel(VOLTS, Role.VOLTAGE),
    ]  # fmt: skip
    return record(plan(stage(duration_s=200.0)), channels=inputs)


def test_a_run_s_ticks_come_to_rate_energy_heat_and_residency(measured_record):
    found = evidence(measured_record, long_run(measured_record)).measured
    (only,) = found.stages
    assert only.rate.value == pytest.approx(1e9), "two cores at once, 5e8 a second each"
    assert only.energy_j.value == pytest.approx(100.0 / 1e9)
    assert only.power_w.value == pytest.approx(100.0)
    assert only.heat.settled is True
    assert only.heat.to_coolant_kw.value == pytest.approx(0.4)
    assert found.electrical.clocks_s == {4675: 200.0}
    assert sum(found.electrical.volts_s.values()) == 200.0
    assert found.electrical.load_line_absent == "too few readings of voltage and current at one clock"
    assert found.heat.ambient_from is None


def test_what_the_run_demonstrates_is_its_checked_load(measured_record):
    shown = evidence(measured_record, long_run(measured_record)).measured.demonstration
    assert shown.load_s == pytest.approx(199.0)
    assert (shown.errors, shown.between_s, shown.confidence) == (0, None, 0.95)
    assert shown.mean_s == shown_mean_s(shown.load_s, 0.95)


def test_a_machine_that_went_down_is_an_error_and_so_is_a_wrong_result(measured_record):
    cut = long_run(measured_record)[:-2]
    assert evidence(measured_record, cut, same_boot=True).measured.demonstration.errors == 0
    crashed = evidence(measured_record, cut, same_boot=False).measured.demonstration
    assert crashed.errors == 1
    assert crashed.between_s[0] < crashed.mean_s < crashed.between_s[1]
    wrong = [*cut, StageEnded(at_s=203.0, stage=0, complete=False, workers=(totals(0, mismatches=2), totals(1)))]
    assert evidence(measured_record, wrong).measured.demonstration.errors == 2


def test_nothing_loaded_demonstrates_nothing(measured_record):
    found = evidence(measured_record, [start(), end(1.0)]).measured
    assert found.demonstration is None
    assert found.electrical is None
    assert found.stages[0].rate is None


def test_a_verdict_keeps_the_numbers_and_one_without_them_is_still_read(measured_record):
    judged = verdict(measured_record, long_run(measured_record))
    again = type(judged).model_validate_json(judged.model_dump_json())
    assert again == judged
    before = judged.model_dump(mode="json")
    del before["evidence"]["measured"]
    assert type(judged).model_validate(before, strict=False).evidence.measured is None


def test_missing_readings_are_bridged_when_few_and_nothing_is_said_when_many(measured_record):
    events = long_run(measured_record)
    for share, known in ((50, True), (2, False)):
        thinned = Gatherer(measured_record, UNITS)
        for number, event in enumerate(events):
            if event.kind == "tick" and number % share == 0:
                values = {name: value for name, value in event.values.items() if name != POWER}
                thinned.add(event.model_copy(update={"values": values, "gaps": {POWER: "silent"}}))
            else:
                thinned.add(event)
        asked = {"finished_utc": "2026-01-01T00:00:00.000Z", "same_boot": True, "suspended_s": 0.0}
        only = thinned.evidence(**asked, snapshot_after=measured_record.snapshot).measured.stages[0]
        assert (only.power_w is not None) == (only.energy_j is not None) == known
