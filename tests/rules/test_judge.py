"""Evidence from a run's events, and the verdict from the evidence: every objection alone, and a pass without any."""

from __future__ import annotations

import pytest
from load_parts import bench, clocks, lost, story
from run_parts import (
    CORES,
    CPU,
    channel,
    clean_run,
    end,
    evidence,
    found,
    limit,
    plan,
    record,
    rules_of,
    snapshot,
    stage,
    stage_events,
    start,
    stopped,
    tick,
    totals,
    verdict,
)

from soakd.model.channels import Role
from soakd.model.finding import WrongResult
from soakd.model.journal import EVENT, Cooling, StageAnnounced
from soakd.model.verdict import Verdict
from soakd.rules.bounds import resolve
from soakd.rules.gather import probe_channel
from soakd.rules.judge import RULES, judge, judge_so_far

MEMORY = plan(stage(name="Memory", workload="memory", memory_percent=50.0))
SHORT_BURSTS = stage(pattern="pulsed", period_s=0.02, on_percent=10.0, duration_s=3.0)
WALK = plan(stage(pattern="walking", dwell_s=5.0))
TWO = plan(stage(), stage(name="Vector", workload="vector"))
WRONG = WrongResult(
    workload="integer",
    instruction_class="scalar",
    round=3,
    where="stream 2",
    expected="0xff",
    actual="0xf7",
    flipped="0x8",
)


DECLARED = bench(plan(stage(duration_s=60.0)), clocks((1, 50), (2, 50)))
STEPS = bench(plan(stage(pattern="stepped", dwell_s=2.0, duration_s=40.0)), clocks((1, 50), (2, 50)))


def run_of(*workers, ticks=None):
    """One stage whose workers ended with these totals."""
    events = stage_events(0, 1.0, workers=workers or None)
    if ticks is not None:
        events = [e for e in events if e.kind != "tick"] + ticks
    return [start(), *sorted(events, key=lambda e: e.at_s), end(13.0)]


def cut(events, kind):
    return [event for event in events if event.kind != kind]


def gappy(missing):
    """Ten ticks, of which the first few had no reading of the processor temperature."""
    clocks = {probe_channel(core): 4700.0 for core in CORES}
    gap = {"values": clocks, "gaps": {CPU: "input/output error"}}
    return [tick(2.0 + n, n, **(gap if n < missing else {})) for n in range(10)]


def stopped_at(why):
    """Three seconds of load, a stop, and half a minute in which the bench cools."""
    *before, ended = stage_events(0, 1.0, complete=False, ticks=3)
    cools = [Cooling(at_s=6.0 + n, values={CPU: 90.0 - n}) for n in range(30)]
    return [start(), *before, why, stopped(4.1), ended, *cools, end(36.0)]


COOLED = stopped_at(found(limit=0, sample=91.0))
BY_HAND = stopped_at(found("stopped-by-hand", "inconclusive"))


# What was done, the events, other facts, the outcome, and every rule that objects.
CASES = {
    "clean": (record(), None, {}, "pass", []),
    "clean without a sheet": (record(with_sheet=False), None, {}, "pass", []),
    "clean on two stages": (record(TWO), None, {}, "pass", []),
    "clean walking": (record(WALK), run_of(totals(0, checked_s=4.8), totals(1, checked_s=4.8)), {}, "pass", []),
    "clean memory": (record(MEMORY), None, {}, "pass", []),
    "the guard found a failure": (record(), [*clean_run(record()), found()], {}, "fail", ["limit-broken"]),
    "the guard found something unclear": (
        record(), [*clean_run(record()), found("suspended", "inconclusive")], {}, "inconclusive", ["suspended"],
    ),
    "failure outweighs what is unclear": (
        record(), [*clean_run(record()), found("suspended", "inconclusive"), found()], {}, "fail",
        ["limit-broken", "suspended"],
    ),
    "told wrong result": (
        record(),
        [*run_of(totals(0, mismatches=1), totals(1)), found("wrong-result", wrong=WRONG, core=0, stage=0)],
        {}, "fail", ["wrong-result"],
    ),
    "counted wrong result whose details were lost": (
        record(), run_of(totals(0), totals(1, mismatches=2)), {}, "fail", ["wrong-result"],
    ),
    "wrong results on two cores, one told": (
        record(),
        [
            *run_of(totals(0, mismatches=1), totals(1, mismatches=1)),
            found("wrong-result", wrong=WRONG, core=0, stage=0),
        ],
        {}, "fail", ["wrong-result", "wrong-result"],
    ),
    "orphan, same boot": (record(), cut(clean_run(record()), "run-ended"), {}, "inconclusive", ["interrupted"]),
    "orphan, other boot": (
        record(), cut(clean_run(record()), "run-ended"), {"same_boot": False, "snapshot_after": None}, "fail",
        ["machine-went-down"],
    ),
    "orphan, same boot, settings not looked at": (
        record(), cut(clean_run(record()), "run-ended"), {"snapshot_after": None}, "inconclusive", ["interrupted"],
    ),
    "last word, settings not looked at": (
        record(), None, {"snapshot_after": None}, "inconclusive", ["settings-unverified"],
    ),
    "last word, settings not looked at, other boot": (
        record(), None, {"snapshot_after": None, "same_boot": False}, "inconclusive", ["settings-unverified"],
    ),
    "a setting changed": (
        record(), None, {"snapshot_after": snapshot(governor="powersave")}, "inconclusive", ["settings-changed"],
    ),
    "two settings changed": (
        record(), None, {"snapshot_after": snapshot(governor="powersave", maximum_clock_mhz=4600)}, "inconclusive",
        ["settings-changed", "settings-changed"],
    ),
    "only a boot mark changed": (record(), None, {"snapshot_after": snapshot(boot_id="boot-2")}, "pass", []),
    "slept, and the guard did not say so": (record(), None, {"suspended_s": 1.0}, "inconclusive", ["suspended"]),
    "slept, and the guard said so": (
        record(), [*clean_run(record()), found("suspended", "inconclusive")], {"suspended_s": 60.0}, "inconclusive",
        ["suspended"],
    ),
    "not long enough to be sleep": (record(), None, {"suspended_s": 0.9}, "pass", []),
    "a worker was not seen gone": (
        record(), [*clean_run(record()), stopped(9.0, survivors=1)], {}, "inconclusive", ["load-not-gone"],
    ),
    "memory not swept once by one core": (
        record(MEMORY), run_of(totals(0), totals(1, sweeps=0)), {}, "inconclusive", ["memory-not-swept"],
    ),
    "sweeps mean nothing elsewhere": (record(), run_of(totals(0, sweeps=0), totals(1, sweeps=0)), {}, "pass", []),
    "too little checked": (record(), run_of(totals(0), totals(1, checked_s=9.0)), {}, "inconclusive", ["coverage-low"]),
    "under the floor by less than a round": (
        record(plan(floor=98.0)), run_of(totals(0), totals(1, checked_s=9.6)), {}, "pass", [],
    ),
    "a core without one checked round": (
        record(plan(stage(pattern="walking", dwell_s=0.5, duration_s=1.0))),
        run_of(totals(0, checked_s=0.5), totals(1, rounds=0, checked_s=0.0)), {}, "inconclusive", ["coverage-low"],
    ),
    "most of the load of a few short bursts missed": (
        record(plan(SHORT_BURSTS)), run_of(totals(0, checked_s=0.3), totals(1, checked_s=0.1)), {}, "inconclusive",
        ["coverage-low"],
    ),
    "short bursts checked": (
        record(plan(SHORT_BURSTS)), run_of(totals(0, checked_s=0.3), totals(1, checked_s=0.29)), {}, "pass", [],
    ),
    "a core that never spoke": (record(), run_of(totals(0)), {}, "inconclusive", ["coverage-low"]),
    "too few readings": (record(), run_of(ticks=gappy(1)), {}, "inconclusive", ["readings-missing"]),
    "enough readings": (record(plan(floor=90.0)), run_of(ticks=gappy(1)), {}, "pass", []),
    "no readings at all": (record(), run_of(ticks=[]), {}, "inconclusive", ["readings-missing"]),
    "nothing to be watched": (record(plan(temperature="if-available"), channels=[]), run_of(ticks=[]), {}, "pass", []),
    "a clock as declared": (DECLARED, list(story(DECLARED)), {}, "pass", []),
    "a clock below the declared one": (
        DECLARED, list(story(DECLARED, clock=4000.0)), {}, "inconclusive", ["settings-not-reached"],
    ),
    "a clock above the declared one": (
        DECLARED, list(story(DECLARED, clock=5100.0)), {}, "inconclusive", ["faster-than-declared"],
    ),
    "both": (
        DECLARED, list(story(DECLARED, clock=lambda core, _at_s: 4000.0 + 2000.0 * core)), {}, "inconclusive",
        ["faster-than-declared", "settings-not-reached"],
    ),
    "enough of the stage, too little of one of its points": (
        STEPS, list(lost(story(STEPS), 0, 1.5, 2.0)), {}, "inconclusive", ["point-short"],
    ),
    "enough of both": (STEPS, list(lost(story(STEPS), 0, 0.9, 2.0)), {}, "pass", []),
    "too little of the stage, which says it for its points": (
        STEPS, list(lost(story(STEPS), 0, 3.0, 6.0)), {}, "inconclusive", ["coverage-low"],
    ),
    "a limit that only notes was broken": (
        record(), [*clean_run(record()), found("limit-broken", "note", limit=0, sample=91.0)], {}, "pass", [],
    ),
    "stopped, and cooled": (record(), COOLED, {}, "fail", ["limit-broken", "stage-incomplete"]),
    "stopped, and heating on": (
        record(), [*COOLED[:-1], found("still-heating", "inconclusive", at_s=30.0), COOLED[-1]], {}, "fail",
        ["limit-broken", "stage-incomplete", "still-heating"],
    ),
    "cut off while it cooled": (record(), COOLED[:-1], {}, "fail", ["limit-broken", "stage-incomplete"]),
    "went down while it cooled": (
        record(), BY_HAND[:-1], {"same_boot": False, "snapshot_after": None}, "inconclusive",
        ["stage-incomplete", "stopped-by-hand", "went-down-cooling"],
    ),
    "went down while workers may have been left": (
        record(),
        [stopped(4.1, survivors=1) if event.kind == "load-stopped" else event for event in BY_HAND[:-1]],
        {"same_boot": False, "snapshot_after": None}, "fail",
        ["load-not-gone", "machine-went-down", "stage-incomplete", "stopped-by-hand"],
    ),
    "a stage stopped": (
        record(), [start(), *stage_events(0, 1.0, complete=False), end(13.0)], {}, "inconclusive", ["stage-incomplete"],
    ),
    "a stage not reached": (
        record(TWO), [start(), *stage_events(0, 1.0), end(13.0)], {}, "inconclusive", ["stage-incomplete"],
    ),
    "nothing but the start": (
        record(), [StageAnnounced(at_s=1.0, stage=0)], {"same_boot": False, "snapshot_after": None}, "fail",
        ["machine-went-down", "readings-missing", "stage-incomplete"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_each_objection_decides_alone_and_a_pass_needs_none(name):
    about, events, facts, outcome, rules = CASES[name]
    got = verdict(about, events, **facts)
    assert (got.outcome, sorted(rules_of(got.reasons))) == (outcome, sorted(rules))


def test_the_cases_above_leave_no_rule_untried():
    """Every rule of the list objects in some case, and none does in the clean one."""
    silent = {rule.__name__ for rule in RULES}
    for about, events, facts, _, _ in CASES.values():
        silent -= {rule.__name__ for rule in RULES if list(rule(about, evidence(about, events, **facts)))}
    assert silent == set()
    assert [list(rule(record(), evidence(record()))) for rule in RULES] == [[] for _ in RULES]


@pytest.mark.parametrize("name", CASES)
def test_a_verdict_survives_the_ledger_and_judging_again_gives_the_same(name):
    about, events, facts, _, _ = CASES[name]
    first = verdict(about, events, **facts)
    stored = Verdict.model_validate_json(first.model_dump_json())
    assert stored == first
    assert judge(type(about).model_validate_json(about.model_dump_json()), stored.evidence) == first


def test_events_survive_the_wire():
    for event in clean_run(record(TWO)):
        assert EVENT.validate_json(event.model_dump_json()) == event


def test_reasons_stand_gravest_first_and_a_pass_has_none():
    events = [*clean_run(record()), found("suspended", "inconclusive"), found("remark", "note"), found()]
    got = verdict(record(), events)
    assert rules_of(got.reasons) == ["limit-broken", "suspended"]
    assert "remark" in rules_of(got.notes)
    assert verdict().reasons == ()


def test_a_mains_failure_is_named_beside_the_crash_because_it_looks_the_same():
    about, events, facts, _, _ = CASES["orphan, other boot"]
    assert "mains failure" in verdict(about, events, **facts).reasons[0].text


@pytest.mark.parametrize(
    ("about", "rule"),
    [
        (record(drill=True), "drill"),
        (record(with_sheet=False), "no-sheet"),
        (record(cautions=("heat is not observed",)), "caution"),
        (record(snapshot=snapshot(virtualisation="kvm")), "virtual"),
    ],
)
def test_what_limits_a_verdict_is_noted_without_changing_it(about, rule):
    noted, plain = verdict(about), verdict()
    assert rule in rules_of(noted.notes)
    assert rule not in rules_of(plain.notes)
    assert noted.outcome == plain.outcome == "pass"


STEAL = "system/steal"


@pytest.mark.parametrize(
    ("events", "rule"),
    [
        (run_of(ticks=[tick(2.0 + n, n, values={CPU: 70.0}) for n in range(10)]), "clock-not-observed"),
        ([*cut(clean_run(record()), "run-ended"), end(13.0, ticks_lost=3)], "lost-ticks"),
        (run_of(totals(0, note="1 GiB, not locked"), totals(1)), "memory-not-locked"),
        (run_of(ticks=[tick(2.0, values={CPU: 70.0, STEAL: 4.0})]), "stolen-time"),
    ],
)
def test_what_the_run_itself_showed_is_noted_too(events, rule):
    bench = [channel(critical=95.0), channel(STEAL, Role.STOLEN_TIME)]
    about = record(channels=bench)
    assert rule in rules_of(verdict(about, events).notes)
    assert rule not in rules_of(verdict(about).notes)


def test_evidence_counts_what_the_events_say():
    seen = evidence(record(TWO), [start(), *stage_events(0, 1.0), *stage_events(1, 13.0, complete=False), end(25.0)])
    assert [s.state for s in seen.stages] == ["complete", "stopped"]
    assert [s.rounds for s in seen.stages] == [40, 40]
    assert seen.stages[0].operations == 2 * 10**9
    assert seen.stages[0].checked_percent == pytest.approx(99.0)
    assert seen.stages[0].per_second == pytest.approx(2 * 10**9 / 9.9)
    assert (seen.duration_s, seen.ended_cleanly, seen.priority) == (25.0, True, "real-time, priority 50")
    assert seen.guard_cpu_percent == pytest.approx(100 * 0.05 / 25.0)
    assert {w.totals.core for w in seen.stages[0].workers} == set(CORES)
    clock = seen.stages[0].workers[0].clock
    assert clock is not None
    assert (clock.minimum_mhz, clock.median_mhz, clock.maximum_mhz, clock.samples) == (4690.0, 4690.0, 4690.0, 10)


def test_evidence_counts_readings_gaps_and_the_nearest_approach_to_each_bound():
    hot = plan(limits=[limit(above="90 °C"), limit(below="10 °C")])
    values = [70.0, 88.5, 80.0]
    ticks = [tick(2.0 + n, n, values={CPU: value}) for n, value in enumerate(values)]
    ticks.append(tick(6.0, 4, values={}, gaps={CPU: "no new reading"}))
    seen = evidence(record(hot), run_of(ticks=ticks))
    (cpu,) = [c for c in seen.channels if c.name == CPU]
    assert (cpu.readings, cpu.gaps, cpu.gap_reasons) == (3, 1, {"no new reading": 1})
    assert (cpu.minimum, cpu.maximum, cpu.last, cpu.nearest_margin) == (70.0, 88.5, 80.0, 1.5)
    assert cpu.mean == pytest.approx(sum(values) / 3)
    assert (seen.coverage.watched_percent, seen.coverage.weakest_channel) == (75.0, CPU)


def test_the_time_in_which_a_bench_cools_is_no_part_of_its_run():
    """The stage's end is the last event of the load, at 5 s; the watch goes on to 35 s."""
    got = evidence(record(), COOLED)
    assert (got.duration_s, got.cooling_s) == (5.0, 30.0)
    assert got.channels[0].maximum == 70.0
    assert got.guard_cpu_percent == pytest.approx(100.0 * 0.05 / 36.0)
    assert evidence(record()).cooling_s is None


COOLANT, ERRORS = "hwmon/board/coolant", "edac/mc0 corrected"
KINDS = plan(
    stage(duration_s=40.0),
    limits=[
        limit(above="90 °C"), limit(of=COOLANT, outside=("20 °C", "40 °C")), limit(minus=COOLANT, above="60 K"),
        limit(above="65 °C", share_percent=50.0, then="fail"), limit(of=ERRORS, per_hour="2 events", then="note"),
        limit(of=COOLANT, rises="10 K/min", over_s=10.0),
    ],
)  # fmt: skip
INPUTS = [
    channel(critical=95.0), channel(COOLANT, Role.COOLANT_TEMPERATURE), channel(ERRORS, Role.CORRECTED_MEMORY_ERRORS)
]  # fmt: skip


def test_evidence_has_the_nearest_approach_to_each_limit_in_its_own_terms():
    """70 °C for half of 40 s, 60 °C for the rest; coolant from 25 °C by 0.1 K a second; an error each 10 s from 30."""
    about = record(KINDS, channels=INPUTS)
    ticks = [
        tick(1.1 + n, n, values={CPU: 70.0 if n < 20 else 60.0, COOLANT: 25.0 + 0.1 * n, ERRORS: 30.0 + n // 10})
        for n in range(40)
    ]
    events = [e for e in stage_events(0, 1.0, ticks=40) if e.kind != "tick"]
    limits = evidence(about, [start(), *sorted([*events, *ticks], key=lambda e: e.at_s), end(45.0)]).limits
    assert [round(each.nearest, 3) for each in limits] == [70.0, 25.0, 45.0, 50.0, 3.0, 6.0]
    assert [round(each.left, 3) for each in limits] == [20.0, 5.0, 15.0, 0.0, -1.0, 4.0]
    assert limits[0].at_s == pytest.approx(1.1)


def test_what_broke_a_limit_is_its_nearest_approach_though_no_tick_saw_it():
    first, *_ = evidence(record(), COOLED).limits
    assert (first.nearest, first.left, first.at_s) == (91.0, -1.0, 4.0)


def test_a_limit_of_which_nothing_was_read_has_no_approach():
    assert evidence(record(), run_of(ticks=[])).limits[0].nearest is None


def test_a_broken_bound_s_margin_is_negative():
    seen = evidence(record(), run_of(ticks=[tick(2.0, values={CPU: 93.0})]))
    assert seen.channels[0].nearest_margin == -3.0


def test_coverage_is_that_of_the_weakest_core_in_the_weakest_stage():
    weak = stage_events(1, 13.0, workers=(totals(0), totals(1, checked_s=5.0)))
    seen = evidence(record(TWO), [start(), *stage_events(0, 1.0), *weak, end(25.0)])
    assert seen.coverage.checked_percent == 50.0


def test_a_run_that_died_in_a_stage_keeps_the_totals_of_its_last_tick():
    last = tick(4.0, 3, workers=(totals(0, rounds=5), totals(1, rounds=4)))
    seen = evidence(record(), [start(), *stage_events(0, 1.0)[:3], last], same_boot=False)
    assert (seen.stages[0].state, seen.stages[0].rounds) == ("stopped", 9)


def test_clocks_are_taken_from_every_tick_of_a_stage_whether_or_not_it_carries_totals():
    """Read again from the journal, only the last tick of a stage carries them."""
    bare = [tick(2.0 + n, n) for n in range(10)]
    full = [tick(2.0 + n, n, workers=(totals(0), totals(1))) for n in range(10)]
    again, live = (evidence(record(), run_of(ticks=ticks)).stages[0].workers for ticks in (bare, full))
    assert again == live
    assert again[1].clock is not None
    assert again[1].clock.samples == 10


def test_a_stage_whose_workers_appeared_but_were_never_let_go_counts_as_stopped():
    announced = StageAnnounced(at_s=1.0, stage=0)
    assert evidence(record(), [start(), announced, tick(2.0)]).stages[0].state == "stopped"
    assert evidence(record(), [start(), announced, tick(2.0, in_stage=None)]).stages[0].state == "not started"


def test_evidence_can_be_asked_for_at_any_time():
    assert evidence(record(), []).stages[0].state == "not started"


def test_while_a_run_goes_on_nothing_is_decided_but_what_no_end_can_mend():
    """A clean night never looks failed on its way, and what fails once fails to the end."""
    facts = {"same_boot": True, "snapshot_after": None}
    events = clean_run(record(TWO))
    for place in range(len(events)):
        so_far = judge_so_far(record(TWO), evidence(record(TWO), events[:place], **facts))
        assert so_far.outcome == "inconclusive"
        assert {each for each in rules_of(so_far.reasons) if each != "readings-missing"} == set()
    for at in range(1, len(events)):
        broken = [*events[:at], found(), *events[at:]]
        outcomes = [
            judge_so_far(record(TWO), evidence(record(TWO), broken[:place], **facts)).outcome
            for place in range(at, len(broken) + 1)
        ]
        assert outcomes[0] == "inconclusive"
        assert set(outcomes[1:]) == {"fail"}


def test_a_verdict_belongs_to_the_fingerprint_plan_and_bounds_of_its_run():
    about = record()
    got = verdict(about)
    assert (got.fingerprint, got.plan, got.bounds) == (
        about.fingerprint,
        about.plan,
        resolve(about.plan, [channel(critical=95.0)])[0],
    )
    assert (got.run_id, got.sheet, got.snapshot_before) == (about.run_id, about.sheet, about.snapshot)


def test_time_that_a_host_took_is_stated_in_a_virtual_machine_and_missing_on_a_real_one():
    """9.9 s of checked rounds, of which the core ran the worker for 6 s: a host, or a quota, took the rest."""
    taken = run_of(totals(0), totals(1, core_s=6.0))
    virtual = snapshot(virtualisation="hypervisor flag")
    outcomes = {}
    for shot in (snapshot(), virtual):
        about = record(snapshot=shot)
        outcomes[shot.virtualisation] = judge(about, evidence(about, taken))
    assert [reason.rule for reason in outcomes[None].reasons] == ["coverage-low"]
    assert outcomes["hypervisor flag"].outcome == "pass"
    notes = {note.rule: note.text for note in outcomes["hypervisor flag"].notes}
    assert "took 39 % of a core's time" in notes["core-taken"]
