"""Two verdicts side by side: gains with their significance, and every refusal with its reason."""

from __future__ import annotations

import pytest
from rate_parts import stage as speeds
from run_parts import (
    CPU,
    channel,
    end,
    plan,
    probe_channel,
    record,
    snapshot,
    stage,
    tick,
    totals,
    verdict,
)

from soakd.model.channels import Role
from soakd.model.journal import Prepared, StageAnnounced, StageEnded, StageStarted
from soakd.rules.compare import compare, why_not
from soakd.rules.estimates import half_width
from soakd.rules.expected import stage_cores

POWER, ROOM = "powercap/package-0", "hwmon/board/Room"
INPUTS = (channel(), channel(POWER, Role.PACKAGE_POWER), channel(ROOM, Role.AMBIENT_TEMPERATURE))


def run_of(
    *stages, seed=1, times=1.0, watts=100.0, core_c=70.0, room_c=24.0, state="complete", digest="0" * 64, **changes
):
    """A verdict whose stages do 1e9 operations a second with the scatter of rate_parts; ticks of 1 s. `room_c`: None
    where nobody reads it.
    """
    of_record = record(plan(*(stages or (stage(duration_s=600.0),))), channels=INPUTS, run_id=f"run-{seed}", **changes)
    events = [Prepared(at_s=0.5, crew_pid=1, priority="", digests={"integer/streams/scalar": digest})]
    at_s = 1.0
    for number, each in enumerate(of_record.plan.stages):
        events += [StageAnnounced(at_s=at_s, stage=number), StageStarted(at_s=at_s, stage=number, pids={0: 1})]
        done = 0.0
        for place, operations in enumerate(
            speeds(100 * seed + number, each.duration_s / 60.0, per_second=5e8 * times)[0]
        ):
            done, at_s = done + operations, at_s + 1.0
            busy_s = float(place + 1)
            done_so_far = {"rounds": 2 * place + 2, "operations": int(done), "checked_s": busy_s}
            workers = tuple(totals(core, **done_so_far) for core in stage_cores(each, of_record.cores))
            seen = {CPU: core_c, POWER: watts, ROOM: room_c, probe_channel(0): 4690.0}
            seen = {name: value for name, value in seen.items() if value is not None}
            events.append(tick(at_s, place, number, seen, workers=workers))
        events.append(StageEnded(at_s=at_s, stage=number, complete=state == "complete", workers=workers))
    return verdict(of_record, [*events, end(at_s + 1.0)])


@pytest.fixture(scope="module")
def stock():
    return run_of(seed=1)


def refused(old, new):
    found = compare(old, new)
    assert not found.stages
    (line,) = found.refused
    return line


def test_a_gain_of_two_percent_is_found_with_its_energy(stock):
    (gained,) = compare(stock, run_of(seed=2, times=1.02, watts=104.0)).stages
    assert gained.significant
    assert gained.rate.value == pytest.approx(0.02, abs=half_width(gained.rate, 0.99))
    assert gained.energy.value == pytest.approx(1.04 / 1.02 - 1.0, abs=half_width(gained.energy, 0.99))
    assert gained.energy_chance < 0.05
    assert gained.settled


def test_equal_settings_show_no_gain(stock):
    (gained,) = compare(stock, run_of(seed=3)).stages
    assert not gained.significant
    assert abs(gained.rate.value) < 0.01


def test_temperatures_are_moved_to_the_old_one_s_room(stock):
    (gained,) = compare(stock, run_of(seed=4, core_c=75.0, room_c=30.0)).stages
    assert gained.same_room
    assert gained.core_c == pytest.approx((70.0, 69.0)), "no growth of the power was seen: a kelvin for a kelvin"


@pytest.mark.parametrize(
    ("other", "wanted"),
    [
        ({"cores": (0,)}, "cores 2 → 1"),
        ({"pattern": "pulsed", "period_s": 0.02, "on_percent": 50.0}, "pattern steady → pulsed; period none → 0.02"),
        ({"workload": "vector"}, "no stage of the other runs vector/lanes"),
    ],
)
def test_other_work_is_not_compared(stock, other, wanted):
    line = refused(stock, run_of(stage(duration_s=600.0, **other), seed=5))
    assert line.startswith("stage 1 (Integer): ")
    assert wanted in line


def test_a_memory_share_a_class_or_other_object_code_is_other_work(stock):
    memory = stage(duration_s=600.0, workload="memory", memory_percent=50.0)
    more = memory.model_copy(update={"memory_percent": 60.0})
    assert refused(run_of(memory), run_of(more, seed=2)).endswith("memory share 50.0 → 60.0")
    vector = stage(duration_s=600.0, workload="vector")
    wide = {"vector/lanes widest": "vector-512"}
    assert "class vector-256 → vector-512" in refused(run_of(vector), run_of(vector, seed=2, classes=wide))
    assert "built into other instructions" in refused(stock, run_of(seed=6, digest="1" * 64))


def test_stages_that_stopped_or_were_too_short_have_no_gain(stock):
    assert refused(stock, run_of(seed=7, state="stopped")).endswith("the new one was stopped")
    assert "the new one was shorter than 5 min" in refused(stock, run_of(stage(duration_s=299.0), seed=8))
    seldom = stock.evidence.measured.stages[0].model_copy(update={"rate": None})
    measured = stock.evidence.measured.model_copy(update={"stages": (seldom,)})
    evidence = stock.evidence.model_copy(update={"measured": measured})
    older = stock.model_copy(update={"evidence": evidence})
    assert "too few ticks" in refused(older, run_of(seed=8))


def test_a_stage_that_others_disturbed_has_no_gain(stock):
    seen = stock.evidence.stages[0].model_copy(update={"checked_percent": 82.2})
    disturbed = run_of(seed=2)
    evidence = disturbed.evidence.model_copy(update={"stages": (seen,)})
    assert "only 82.2 % of the new one's load" in refused(stock, disturbed.model_copy(update={"evidence": evidence}))


def test_each_stage_has_one_partner_and_length_does_not_matter(stock):
    found = compare(stock, run_of(stage(duration_s=300.0), stage(duration_s=600.0), seed=9))
    assert [gained.new.index for gained in found.stages] == [0]
    assert found.refused == ("stage 2 (Integer): no stage of the other runs integer/streams",)


def test_verdicts_that_cannot_be_compared_at_all_say_why(stock):
    assert why_not(stock, run_of(seed=2)) is None
    assert why_not(stock, stock) == "this is one and the same verdict"
    assert why_not(stock, run_of(seed=2, drill=True)) == "run-2 is a drill: it says nothing about the bench"
    elsewhere = run_of(seed=2, snapshot=snapshot(processor="Another"))
    assert why_not(stock, elsewhere).startswith("processor: A processor → Another; only one bench")
    before = stock.evidence.model_copy(update={"measured": None})
    assert "older than the numbers" in why_not(stock.model_copy(update={"evidence": before}), run_of(seed=2))
