"""What a verdict says of clocks that were not the declared ones: the numbers, and the likeliest cause."""

from __future__ import annotations

import pytest
from load_parts import bench, clocks, lost, story
from run_parts import CPU, evidence, plan, record, rules_of, stage, verdict

from soakd.model.journal import StageAnnounced, StageEnded, Throttles
from soakd.model.run import ChannelInfo
from soakd.model.sheet import PowerLimits, StepDown
from soakd.model.snapshot_parts import Topology
from soakd.model.verdict import Verdict
from soakd.rules.judge import judge
from soakd.rules.reached import covered_text

LONG = plan(stage(duration_s=60.0))
FLAT = clocks((1, 51), (2, 51))
WALK = plan(stage(duration_s=60.0), stage(pattern="walking", dwell_s=5.0, duration_s=60.0))


def judged(about, **how):
    return verdict(about, list(story(about, **how)))


def reason(about, **how):
    (only,) = judged(about, **how).reasons
    return only


def low(core, at_s):
    return 4630.0


def test_the_reason_names_the_point_and_its_numbers():
    found = reason(bench(LONG, FLAT), clock=lambda core, _at_s: 4630.0 + core * 10.0)
    assert found.rule == "settings-not-reached"
    assert (found.weight, found.core, found.sample, found.bound, found.unit) == (
        "inconclusive",
        0,
        4630.0,
        5100.0,
        "MHz",
    )
    assert found.text == (
        "core 0, 2 active, scalar: allowed 5100 MHz, seen 4630 MHz median (4630 to 4630) over 60 s, 60 s of them "
        "below; not reached at 2 of 2 points in all"
    )


def test_a_clock_above_is_told_in_the_same_way():
    found = reason(bench(LONG, FLAT), clock=lambda core, _at_s: 5300.0 if core == 1 else 5100.0)
    assert (found.rule, found.core) == ("faster-than-declared", 1)
    assert "allowed 5100 MHz, seen 5300 MHz median (5300 to 5300) over 60 s, 60 s of them above" in found.text


def test_the_step_down_at_which_it_was_is_named():
    hot = clocks((1, 51), (2, 51), steps_down=(StepDown(at_c=70.0, by=2),))
    assert (
        "core 0, 2 active, scalar, from 70 °C: allowed 4900 MHz, seen 4630"
        in reason(bench(LONG, hot), clock=low, heat=75.0).text
    )


def counted(about, heat, power, *, clock=low):
    """The story with counters that rise by so much over the stage, on core 1."""
    before = Throttles(heat={0: 7, 1: 7}, power={0: 3, 1: 3})
    after = Throttles(heat={0: 7, 1: 7 + heat}, power={0: 3, 1: 3 + power})
    for event in story(about, clock=clock):
        if isinstance(event, StageAnnounced):
            yield event.model_copy(update={"throttles": before})
        elif isinstance(event, StageEnded):
            yield event.model_copy(update={"throttles": after})
        else:
            yield event


POWER = ChannelInfo(name="powercap/package", role="power", unit="W")


def watts(about, most):
    """The story with a reading of power that comes to so much."""
    for event in story(about, clock=low):
        yield event.model_copy(update={"values": {**event.values, POWER.name: most}}) if event.kind == "tick" else event


def with_power(limits):
    about = bench(LONG, FLAT, declared={"limits": limits})
    return about.model_copy(update={"channels": (*about.channels, POWER)})


THROTTLED = bench(LONG, FLAT, declared={"limits": PowerLimits(throttle_c=95.0)})
LIMITED = with_power(PowerLimits(sustained_power_w=200.0, short_power_w=250.0))
VIRTUAL = bench(LONG, FLAT, shot={"virtualisation": "a hypervisor"})
BOTH = bench(WALK, clocks((1, 52), (2, 50)))
# The bench, its events, and what the reason says of the cause.
CAUSES = {
    "nothing points to any": (bench(LONG, FLAT), list(story(bench(LONG, FLAT), clock=low)), ""),
    "heat was counted": (
        bench(LONG, FLAT), list(counted(bench(LONG, FLAT), 12, 5, clock=lambda core, _at_s: 4630.0 - core)),
        "heat: the processor counted 12 times",
    ),
    "power was counted": (
        bench(LONG, FLAT), list(counted(bench(LONG, FLAT), 0, 5, clock=lambda core, _at_s: 4630.0 - core)),
        "a power limit: the processor counted 5 times",
    ),
    "counted on another core": (bench(LONG, FLAT), list(counted(bench(LONG, FLAT), 12, 5)), ""),
    "as hot as the processor throttles": (
        THROTTLED, list(story(THROTTLED, clock=low, heat=94.5)),
        f"heat: {CPU} came to 94.5 °C, and 95 °C throttle the processor",
    ),
    "not as hot": (THROTTLED, list(story(THROTTLED, clock=low, heat=93.5)), ""),
    "at a power limit": (
        LIMITED, list(watts(LIMITED, 198.0)), "a power limit: powercap/package came to 198 W, and 200 W are declared",
    ),
    "well below the power limit": (LIMITED, list(watts(LIMITED, 150.0)), ""),
    "a virtual machine": (
        VIRTUAL, list(story(VIRTUAL, clock=low)), "this is a virtual machine, whose host decides on the clock",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CAUSES)
def test_the_likeliest_cause_is_named_with_what_points_to_it(name):
    about, events, cause = CAUSES[name]
    hot = [f for f in verdict(about, events).reasons if f.rule == "settings-not-reached"]
    (said,) = [finding.text.partition(". Likely cause: ")[2] for finding in hot]
    assert said.startswith(cause) if cause else not said


def by_stage(about, of_stage):
    """The story with another clock in each stage."""
    for event in story(about):
        if event.kind == "tick" and event.stage is not None:
            values = {
                name: of_stage[event.stage] if name.startswith("probe/") else v for name, v in event.values.items()
            }
            yield event.model_copy(update={"values": values})
        else:
            yield event


@pytest.mark.parametrize(
    ("seen", "rule", "cause"),
    [
        ({0: 4900.0, 1: 5096.0}, "settings-not-reached", "as if it were 98.00 MHz and not 100.00 MHz"),
        ({0: 5100.0, 1: 5304.0}, "faster-than-declared", "as if it were 102.00 MHz and not 100.00 MHz"),
        ({0: 4900.0, 1: 5000.0}, "settings-not-reached", ""),  # 0.98 and 0.96 of the declared clocks
        ({0: 3500.0, 1: 3640.0}, "settings-not-reached", ""),  # 0.7 of both, which no reference clock is off by
    ],
)
def test_one_factor_at_points_of_different_clocks_points_to_the_reference(seen, rule, cause):
    (found,) = verdict(BOTH, list(by_stage(BOTH, seen))).reasons
    assert found.rule == rule
    assert found.text.endswith(cause) if cause else "Likely cause" not in found.text


def test_counts_of_threads_are_those_of_their_core():
    siblings = Topology(siblings=("0,2", "1,3"))
    about = bench(LONG, FLAT, cores=(0, 1, 2, 3), shot={"topology": siblings})
    before, after = Throttles(heat={3: 0}), Throttles(heat={3: 4})
    events = [
        e.model_copy(update={"throttles": before if isinstance(e, StageAnnounced) else after})
        if isinstance(e, StageAnnounced | StageEnded)
        else e
        for e in story(about, clock=lambda core, _at_s: 4630.0 if core in {1, 3} else 5100.0)
    ]
    (found,) = verdict(about, events).reasons
    assert found.core == 1
    assert "counted 4 times" in found.text


def test_counters_are_added_up_over_stages_and_one_that_went_back_counts_nothing():
    about = bench(plan(stage(), stage()), FLAT)
    readings = iter([{0: 5, 1: 0}, {0: 7, 1: 1}, {0: 10, 1: 9}, {0: 2, 1: 10}])
    events = [
        e.model_copy(update={"throttles": Throttles(heat=next(readings))})
        if isinstance(e, StageAnnounced | StageEnded)
        else e
        for e in story(about)
    ]
    seen = evidence(about, events).throttled
    assert seen is not None
    assert seen.heat == {0: 2, 1: 2}
    assert evidence(about, list(story(about))).throttled is None


def test_a_short_point_is_named_with_its_seconds():
    steps = bench(plan(stage(pattern="stepped", dwell_s=2.0, duration_s=40.0)), FLAT)
    (found,) = verdict(steps, list(lost(story(steps, clock=None), 0, 1.5, 2.0))).reasons
    assert found.text == (
        "core 0, 1 active, scalar: 18.5 s of load were checked and the plan has 20.0 s; it asks for 95 %"
    )


def test_a_point_without_any_round_is_short_too():
    about = bench(plan(stage(pattern="stepped", dwell_s=2.0, duration_s=40.0)), FLAT)
    seen = judged(about, clock=None).evidence
    empty = seen.points[0].model_copy(update={"dwelt_s": 0.0, "rounds": 0, "state": "not visited"})
    missing = seen.model_copy(update={"points": (empty, *seen.points[1:])})
    assert rules_of(judge(about, missing).reasons) == ["point-short"]


NO_REFERENCE = clocks((1, 50), (2, 50), reference_mhz=None)
NOTES = {
    "held": (bench(LONG, FLAT), {"clock": 5100.0}, None),
    "no reference": (
        bench(LONG, NO_REFERENCE), {}, "the clock was not held against the sheet: the sheet declares no reference",
    ),
    "no clock declared": (
        bench(LONG, clocks()), {}, "the clock was not held against the sheet: the sheet declares no clock for them",
    ),
    "not observed": (
        bench(LONG, FLAT), {"clock": None}, "the clock was not held against the sheet: it was not observed",
    ),
    "not observed on one core": (
        bench(LONG, FLAT), {"clock": lambda core, _at_s: 5100.0 if core else None},
        "the clock was not held against the sheet at 1 of 2 points: it was not observed",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", NOTES)
def test_a_clock_that_was_not_held_against_the_sheet_is_noted_and_claims_nothing(name):
    about, how, text = NOTES[name]
    got = judged(about, **how)
    assert got.outcome == "pass"
    noted = [note.text for note in got.notes if note.rule == "clock-not-held"]
    assert len(noted) == (text is not None)
    assert all(line.startswith(text) for line in noted)


def test_without_a_sheet_the_note_that_there_is_none_says_it():
    got = judged(bench(LONG))
    assert "no-sheet" in rules_of(got.notes)
    assert "clock-not-held" not in rules_of(got.notes)


def test_a_pass_says_how_many_points_it_speaks_of():
    assert covered_text(judged(BOTH, clock=None).evidence.points) == "all 4 operating points were covered"
    part = judged(bench(LONG, FLAT), clock=None).evidence.points
    assert covered_text(part) == "it passes only what was covered: 2 of 4 operating points"


def test_a_verdict_that_was_stored_before_points_were_counted_still_loads():
    older = verdict(record()).model_dump(mode="json")
    for key in ("points", "throttled"):
        del older["evidence"][key]
    for key in ("clock-tolerance", "clock-hold"):
        del older["plan"][key]
    loaded = Verdict.model_validate(older, strict=False)
    assert (loaded.evidence.points, loaded.evidence.throttled, covered_text(loaded.evidence.points)) == ((), None, "")
