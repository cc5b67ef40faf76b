"""The temperature near each error, and the load at each temperature, from a run's events."""

from __future__ import annotations

import json

import pytest
from run_parts import CPU, channel, end, evidence, found, plan, record, stage, start, stopped, tick, totals

from soakd.model.channels import Role
from soakd.model.finding import NearReading
from soakd.model.journal import StageEnded, StageStarted
from soakd.model.verdict import Evidence, Warmth

DIMM = "hwmon/spd5118/temp1"
OTHER = "hwmon/k10temp/Tccd1"


def done(seconds):
    """Both cores, after so many seconds of checked load."""
    return tuple(totals(core, checked_s=seconds) for core in (0, 1))


def of_run(*events, kind="integer", pattern="steady", channels=None):
    more = {"memory_percent": 50.0} if kind == "memory" else {"dwell_s": 5.0} if pattern == "walking" else {}
    about = record(plan(stage(workload=kind, pattern=pattern, **more)), channels=channels)
    return evidence(about, [start(), StageStarted(at_s=1.0, stage=0, pids={}), *events, end(20.0)])


def wrong(at_s, **more):
    return found("wrong-result", text="wrong", at_s=at_s, stage=0, core=1, **more)


@pytest.mark.parametrize(("at_s", "value", "apart_s"), [(4.2, 60.0, 0.2), (4.8, 66.0, 0.2)])
def test_an_error_has_the_reading_that_is_nearest_to_it_before_or_after(at_s, value, apart_s):
    told = of_run(tick(4.0, values={CPU: 60.0}), wrong(at_s), tick(5.0, values={CPU: 66.0})).findings
    assert told[0].temperature == NearReading(channel=CPU, role="cpu-temperature", value=value, apart_s=apart_s)


def test_the_last_reading_stands_where_none_comes_after():
    told = of_run(tick(4.0, values={CPU: 60.0}), wrong(4.9), stopped(5.0)).findings
    assert told[0].temperature.value == 60.0


def test_the_hottest_of_the_processor_s_sensors_counts_and_a_gap_is_no_reading():
    both = [channel(), channel(OTHER)]
    told = of_run(tick(4.0, values={CPU: 60.0, OTHER: 63.0}), wrong(4.1), channels=both).findings
    assert (told[0].temperature.channel, told[0].temperature.value) == (OTHER, 63.0)
    blind = of_run(tick(4.0, values={}, gaps={CPU: "gone"}), wrong(4.1))
    assert blind.findings[0].temperature is None


@pytest.mark.parametrize(
    ("inputs", "near"),
    [([channel()], (CPU, 60.0)), ([channel(), channel(DIMM, Role.MEMORY_TEMPERATURE)], (DIMM, 41.5))],
)
def test_in_a_memory_stage_it_is_the_memory_s_where_that_is_read(inputs, near):
    seen = {name: value for name, value in {CPU: 60.0, DIMM: 41.5}.items() if name in {each.name for each in inputs}}
    events = tick(4.0, values=seen, workers=done(3.0)), wrong(4.1), tick(5.0, values=seen, workers=done(4.0))
    told = of_run(*events, kind="memory", channels=inputs)
    reading = told.findings[0].temperature
    assert (reading.channel, reading.value) == near
    assert {each.role for each in told.stages[0].warmth} == {reading.role}


def test_findings_that_are_no_error_of_a_core_have_none():
    told = of_run(tick(4.0), found(at_s=4.1, channel=CPU), tick(5.0)).findings
    assert told[0].temperature is None


def test_load_counts_half_at_the_temperature_before_it_and_half_at_the_one_after():
    """Four seconds of each core between two ticks, then two to the stage's end; degrees are rounded down."""
    ticks = tick(1.5, values={CPU: 50.9}), tick(5.5, values={CPU: 70.0}, workers=done(4.0))
    last = StageEnded(at_s=7.5, stage=0, complete=True, workers=done(6.0))
    told = of_run(*ticks, last).stages[0]
    assert told.warmth == (Warmth(role="cpu-temperature", core=None, seconds={50: 2.0, 70: 4.0}),)


def test_cores_that_are_loaded_in_turn_have_their_own():
    first = tick(3.0, values={CPU: 50.0}, workers=(totals(0, checked_s=2.0), totals(1, checked_s=0.0)))
    last = tick(8.0, values={CPU: 70.0}, workers=(totals(0, checked_s=2.0), totals(1, checked_s=3.0)))
    told = of_run(first, last, pattern="walking").stages[0]
    assert {each.core: each.seconds for each in told.warmth} == {0: {50: 2.0}, 1: {50: 1.5, 70: 1.5}}


def test_without_a_temperature_there_is_nothing_to_compare():
    told = of_run(tick(3.0, values={}, gaps={CPU: "gone"}, workers=done(2.0)), wrong(3.1))
    assert told.stages[0].warmth == ()
    assert told.findings[0].temperature is None


def test_evidence_of_before_it_was_kept_still_loads():
    told = of_run(tick(4.0, workers=done(3.0)), wrong(4.1)).model_dump(mode="json")
    for each in told["findings"]:
        del each["temperature"]
    for each in told["stages"]:
        del each["warmth"]
    old = Evidence.model_validate_json(json.dumps(told))
    assert (old.findings[0].temperature, old.stages[0].warmth) == (None, ())
