"""Whatever a run's readings are, there is a verdict: numbers that cannot be had are left out."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st
from run_parts import CPU, UNITS, UTC, channel, plan, record, stage, start, tick, totals

from soakd.model.channels import Role
from soakd.model.journal import Cooling, StageAnnounced, StageEnded, StageStarted
from soakd.rules.gather import Gatherer, probe_channel

NAMES = {
    CPU: Role.CPU_TEMPERATURE,
    "a/coolant": Role.COOLANT_TEMPERATURE,
    "a/room": Role.AMBIENT_TEMPERATURE,
    "a/package": Role.PACKAGE_POWER,
    "a/core volts": Role.VOLTAGE,
    "a/core amps": Role.CURRENT,
}
VALUES = st.one_of(
    st.sampled_from([0.0, -0.0, 1.0, 50.0, -273.15, 2_147_483.647, 1e-300, 1e300, -1e300]), st.floats(-1e6, 1e6)
)
COURSES = st.dictionaries(
    st.sampled_from(sorted(NAMES)), st.tuples(st.sampled_from(["still", "ramp", "drawn", "gaps"]), VALUES, VALUES)
)


def value(course, place, draws):
    kind, first, second = course
    if kind == "still":
        return first
    if kind == "ramp":
        return first + 0.01 * place * second
    if kind == "gaps" and draws.random() < 0.02:
        return None
    return draws.choice([first, second, (first + second) / 2.0])


@settings(max_examples=25, deadline=None)
@given(COURSES, st.integers(0, 220), st.sampled_from([0.0, 0.5, 1.0]), st.randoms(use_true_random=False))
def test_it_never_fails_and_keeps_only_finite_numbers(courses, ticks, step_s, draws):
    of_record = record(
        plan(stage(duration_s=300.0), stage(duration_s=300.0)), channels=[channel(n, r) for n, r in NAMES.items()]
    )
    gatherer = Gatherer(of_record, UNITS)
    at_s, done = 1.0, 0
    gatherer.add(start())
    for number in range(2):
        gatherer.add(StageAnnounced(at_s=at_s, stage=number))
        gatherer.add(StageStarted(at_s=at_s, stage=number, pids={0: 1}))
        for place in range(ticks):
            at_s, done = at_s + step_s, done + draws.choice([0, 10**9])
            read = {name: v for name, each in courses.items() if (v := value(each, place, draws)) is not None}
            workers = (totals(0, operations=done, checked_s=float(place), core_s=float(place)),)
            gatherer.add(tick(at_s, place, number, {**read, probe_channel(0): 4690.0}, workers=workers))
        gatherer.add(StageEnded(at_s=at_s, stage=number, complete=True, workers=()))
        gatherer.add(Cooling(at_s=at_s, values={CPU: 50.0}))
    found = evidence_of(gatherer, of_record).measured
    assert type(found).model_validate_json(found.model_dump_json()) == found


def evidence_of(gatherer, of_record):
    asked = {"finished_utc": UTC, "same_boot": True, "suspended_s": 0.0}
    return gatherer.evidence(**asked, snapshot_after=of_record.snapshot)


def test_a_long_run_keeps_fewer_ticks_and_tells_the_same(monkeypatch):
    of_record = record(plan(stage(duration_s=4000.0)), channels=[channel(n, r) for n, r in NAMES.items()])

    def told():
        gatherer = Gatherer(of_record, UNITS)
        gatherer.add(StageStarted(at_s=0.0, stage=0, pids={0: 1}))
        for n in range(4000):
            workers = (totals(0, operations=n * 10**9, checked_s=float(n), core_s=float(n)),)
            read = {CPU: 60.0 + n % 2, "a/package": 100.0, "a/core volts": 1.2, probe_channel(0): 4690.0}
            gatherer.add(tick(1.0 + n, n, 0, read, workers=workers))
        return evidence_of(gatherer, of_record).measured

    whole = told()
    monkeypatch.setattr("soakd.rules.measuring.MOST", 500)
    few = told()
    assert few.electrical.clocks_s == whole.electrical.clocks_s == {4675: 4000.0}
    assert few.electrical.volts_s == whole.electrical.volts_s == {1200: 4000.0}
    assert few.stages[0].energy_j.value == whole.stages[0].energy_j.value == 100.0 / 1e9
    assert few.stages[0].rate == whole.stages[0].rate
    assert few.stages[0].heat.settled is whole.stages[0].heat.settled is True
