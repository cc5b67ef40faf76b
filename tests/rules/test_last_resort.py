"""The limiter's settings lie above the guard's, and what it did is said with the right weight."""

import json

import pytest
from run_parts import clean_run, evidence, record, start, stopped, verdict

from soakd.model.channels import Channel, Role
from soakd.model.journal import EVENT, StageAnnounced, Watched
from soakd.model.limits import Bound
from soakd.model.plan import Plan
from soakd.rules.last_resort import MARGIN_K, Act, Vigil, acted, dark_hold_s, settings, watched_text

CPU, FILE = "hwmon/k10temp/Tctl", "/sys/class/hwmon/hwmon0/temp1_input"


def bound(value=90.0, hold_s=0.0, channel=CPU, role=Role.CPU_TEMPERATURE, side="above"):
    return Bound(channel=channel, role=role, side=side, value=value, unit="°C", hold_s=hold_s, origin="plan")


def channel(critical):
    return Channel(name=CPU, role=Role.CPU_TEMPERATURE, critical=critical)


@pytest.mark.parametrize(
    ("limit_c", "critical_c", "setting_c"),
    [
        (90.0, None, 93.0),
        (90.0, 100.0, 93.0),
        (90.0, 93.0, 93.0),
        (90.0, 91.5, 91.5),  # not above the sensor's own critical value
        (90.0, 90.0, 90.0),
        (90.0, 85.0, 90.0),  # but never below the plan's limit
    ],
)
def test_a_setting_is_a_margin_above_the_guard_s_limit(limit_c, critical_c, setting_c):
    (own,) = settings([bound(limit_c)], [channel(critical_c)], {CPU: FILE})
    assert own.value == setting_c
    assert own.value <= limit_c + MARGIN_K


def test_a_setting_waits_longer_than_the_guard():
    own = settings([bound(85.0, hold_s=30.0), bound(95.0)], [channel(110.0)], {CPU: FILE})
    assert [(each.value, each.hold_s) for each in own] == [(88.0, 31.0), (98.0, 1.0)]


def test_only_heat_of_the_processor_that_it_can_read_is_watched():
    others = [
        bound(side="below"),
        bound(channel="psutil/cpu"),
        bound(60.0, channel="hwmon/nct6799/AUXTIN1", role=Role.COOLANT_TEMPERATURE),
    ]
    files = {CPU: FILE, "hwmon/nct6799/AUXTIN1": FILE}
    assert settings(others, [], files) == ()


def test_its_patience_with_a_dark_sensor_is_longer_than_the_guard_s():
    def plan(**guard):
        stage = {"name": "s", "workload": "integer", "duration": "1 s"}
        document = {"version": 1, "name": "p", "guard": guard, "stage": [stage]}
        return Plan.model_validate_json(json.dumps(document), by_alias=True)

    assert dark_hold_s(plan(**{"gap-hold": "1 s", "tick": "0.1 s"})) == 3.0
    assert dark_hold_s(plan(**{"gap-hold": "0 s", "tick": "10 s"})) == 27.0


def act(cause, **more):
    given = {"channel": 0, "reading_c": 0.0, "held_s": 2.1, "gone_s": 0.01, "survivors": 0, **more}
    return Act(cause=cause, **given)


def test_heat_that_the_guard_did_not_answer_fails():
    own = settings([bound()], [], {CPU: FILE})
    finding = acted(act("too-hot", reading_c=96.5, held_s=1.25), own)
    assert (finding.rule, finding.weight, finding.channel) == ("limiter", "fail", CPU)
    assert (finding.sample, finding.bound, finding.unit) == (96.5, 93.0, "°C")
    assert "read 96.5 °C, above 93 °C for 1.2 s" in finding.text


@pytest.mark.parametrize("cause", ["guard-still", "dark"])
def test_what_nobody_saw_proves_nothing(cause):
    finding = acted(act(cause), settings([bound()], [], {CPU: FILE}))
    assert (finding.rule, finding.weight) == ("limiter", "inconclusive")
    assert "2.1 s" in finding.text


def test_what_it_watches_is_said_and_so_is_that_it_is_only_the_guard():
    one = settings([bound()], [], {CPU: FILE})
    assert watched_text(one) == f"the limiter watched the guard, and {CPU} by itself (set to 93 °C)"
    two = (*one, *settings([bound(85.0)], [], {CPU: FILE}))
    assert "and 1 more by itself (set to 88 to 93 °C)" in watched_text(two)
    assert "watched only the guard" in watched_text(())


def test_a_limiter_that_lives_is_never_missed():
    vigil = Vigil()
    assert [vigil.observe(turn // 10, turn * 0.1) for turn in range(200)] == [None] * 200


def test_a_limiter_without_a_beat_for_two_seconds_is():
    vigil = Vigil()
    found = [vigil.observe(7, turn * 0.1) for turn in range(25)]
    first = next(turn for turn, finding in enumerate(found) if finding is not None)
    assert 2.0 <= first * 0.1 <= 2.2
    assert (found[first].rule, found[first].weight) == ("limiter-lost", "inconclusive")


def test_a_pause_of_the_whole_machine_is_not_blamed_on_the_limiter():
    vigil = Vigil()
    assert vigil.observe(7, 0.0) is None
    assert vigil.observe(7, 3600.0) is None
    assert vigil.observe(8, 3600.1) is None


ARMED = "the hardware watchdog (Window bench timer) was armed: it resets the machine 30 s after its last ping"


def watched(watchdog=None):
    return Watched(at_s=0.0, limiter="the limiter watched the guard", watchdog=watchdog)


def test_who_watched_is_a_note_of_the_verdict_and_survives_the_journal():
    event = EVENT.validate_json(watched(ARMED).model_dump_json())
    got = verdict(events=[event, *clean_run(record())])
    assert got.outcome == "pass"
    assert [note.text for note in got.notes if note.rule == "watched"] == ["the limiter watched the guard", ARMED]


def test_a_run_that_nothing_watched_says_nothing_of_it():
    assert evidence(record()).limiter is None
    assert not [note for note in verdict().notes if note.rule == "watched"]


@pytest.mark.parametrize(
    ("fired", "words"),
    [
        (True, "it says that it reset the machine"),
        (False, "it says that it did not reset the machine"),
        (None, "whether it reset the machine, it does not say"),
    ],
)
@pytest.mark.parametrize(
    ("last", "rule"), [([], "machine-went-down"), ([stopped(8.0)], "went-down-cooling")], ids=["loaded", "cooling"]
)
def test_a_machine_that_went_down_tells_of_its_watchdog(last, rule, fired, words):
    events = [watched(ARMED), start(), StageAnnounced(at_s=1.0, stage=0), *last]
    got = verdict(events=events, same_boot=False, snapshot_after=None, reset_by_watchdog=fired)
    (reason,) = [reason for reason in got.reasons if reason.rule == rule]
    assert ARMED in reason.text
    assert words in reason.text


def test_without_a_watchdog_a_machine_that_went_down_tells_of_none():
    events = [watched(), start(), StageAnnounced(at_s=1.0, stage=0)]
    got = verdict(events=events, same_boot=False, snapshot_after=None, reset_by_watchdog=True)
    assert got.reasons[0].rule == "machine-went-down"
    assert "watchdog" not in got.reasons[0].text
