"""What the newest pass still means for the bench as it is now."""

from __future__ import annotations

import copy
import json
import tomllib

import pytest
from run_parts import clean_run, found, record, snapshot, verdict
from sheet_changes import others, place_of, ways, with_value
from sheets import keys, sheet_of, whole_form

from soakd.model.finding import Finding
from soakd.model.sheet import OUTSIDE_FINGERPRINT, Sheet
from soakd.model.snapshot import Snapshot
from soakd.model.snapshot_parts import MemoryModule
from soakd.model.verdict import Verdict
from soakd.report.view import view
from soakd.rules.fingerprint import fingerprint
from soakd.rules.standing import standing

MODULE = MemoryModule(size_mib=32768, configured_speed_mt_s=6000)
LOCKED = {"memory_modules": "not permitted: /sys/firmware/dmi/tables/DMI"}
OLD_SNAPSHOT = {
    "machine": "x86_64", "processor": "A processor", "family_model_stepping": "25-33-2", "microcode": "0xa20120e",
    "logical_cores": 2, "cores_allowed": "0-1", "memory_total_mib": 32768, "swap_total_mib": 0, "board": "A board",
    "firmware": "Firm 1.20", "kernel": "6.12.1", "boot_id": "boot-1", "governor": "performance", "boost": "on",
    "minimum_clock_mhz": 2200, "maximum_clock_mhz": 4700, "mitigations": {"meltdown": "Not affected"},
    "virtualisation": None, "absent": {"boost": "no such file"},
}  # fmt: skip
"""As the ledger holds snapshots that were taken before groups came into them."""
ADDED_LATER = {"load_announced", "points", "throttled", "limits", "cooling_s"}


def passed(**changes):
    return verdict(record(snapshot=snapshot(**changes)))


# Columns: then, now, what differs.
@pytest.mark.parametrize(
    ("then", "now", "differs"),
    [
        ({}, {}, ()),
        ({}, {"boot_id": "boot-2", "memory_total_mib": 32767}, ()),
        ({}, {"firmware_version": "1.30"}, ("firmware version: 1.20 → 1.30",)),
        ({}, {"governor": "powersave"}, ("clock policies, cores 0-1, governor: performance → powersave",)),
        (
            {"memory_modules": {"DIMM_A1": MODULE}},
            {"memory_modules": {"DIMM_A1": MODULE.model_copy(update={"configured_speed_mt_s": 5600})}},
            ("memory modules, DIMM_A1, configured speed: 6000 MT/s → 5600 MT/s",),
        ),
        (
            {"memory_modules": {"DIMM_A1": MODULE}},
            {"absent": LOCKED},
            ("memory modules: not comparable: known then, now not permitted: /sys/firmware/dmi/tables/DMI",),
        ),
        ({"absent": LOCKED}, {"absent": LOCKED}, ()),
    ],
    ids=str,
)
def test_a_bench_is_covered_until_a_setting_is_not_as_it_was(then, now, differs):
    seen = standing([passed(**then)], snapshot(**now))
    assert seen.covered == (not differs)
    assert seen.differs == differs


def test_nothing_passed_is_no_standing():
    assert standing([], snapshot()) is None


def named(run_id, seen):
    return seen.model_copy(update={"run_id": run_id})


def test_an_older_pass_covers_what_the_newest_does_not():
    older, newest = named("older", passed()), named("newest", passed(governor="powersave"))
    seen = standing([newest, older], snapshot())
    assert (seen.covered, seen.run_id, seen.since_utc) == (True, "older", older.evidence.finished_utc)


def test_where_none_covers_the_one_is_named_from_which_least_differs_and_of_two_the_newer():
    far = named("far", passed(governor="powersave", firmware_version="1.10"))
    near, older = named("near", passed()), named("older", passed())
    seen = standing([far, near, older], snapshot(firmware_version="1.30"))
    assert (seen.covered, seen.run_id, seen.differs) == (False, "near", ("firmware version: 1.20 → 1.30",))


WHY = Finding(rule="wrong-result", weight="fail", text="core 1 computed wrongly")


def failing(seen):
    return seen.model_copy(update={"outcome": "fail", "reasons": (WHY,)})


def test_a_pass_counts_until_the_same_settings_fail():
    seen = standing([named("bad", failing(passed()))], snapshot())
    assert (seen.covered, seen.failed, seen.run_id) == (False, True, "bad")
    assert seen.differs == ("wrong-result: core 1 computed wrongly",)
    assert seen.line.startswith("not covered; these settings failed since: ")


def test_a_fail_of_other_settings_takes_nothing_from_a_pass_and_is_no_near_one():
    bad, good = failing(passed(firmware_version="1.10")), named("good", passed())
    assert standing([bad, good], snapshot()).covered
    now = standing([bad, good], snapshot(firmware_version="1.30"))
    assert (now.failed, now.run_id) == (False, "good")
    alone = standing([bad], snapshot())
    assert (alone.covered, alone.failed) == (False, False)
    assert alone.differs == ("failed since: wrong-result: core 1 computed wrongly", "firmware version: 1.10 → 1.20")


def with_states(seen, *states):
    points = tuple(seen.evidence.points[0].model_copy(update={"state": state}) for state in states)
    return seen.model_copy(update={"evidence": seen.evidence.model_copy(update={"points": points})})


@pytest.mark.parametrize(
    ("states", "scope"),
    [
        (("covered", "covered"), "all 2 operating points were covered"),
        (("covered", "not visited"), "it passes only what was covered: 1 of 2 operating points"),
        ((), ""),
    ],
)
def test_it_says_how_many_of_the_operating_points_the_pass_speaks_of(states, scope):
    assert standing([with_states(passed(), *states)], snapshot()).scope == scope


def passed_with(declared):
    """A pass of this sheet on the bench."""
    return verdict(record(sheet=declared, fingerprint=fingerprint(declared, snapshot())))


def key_of(way):
    """As the model has it: an entry's place in its list, and a free name, are no keys."""
    steps = tuple(step for step in way if not isinstance(step, int))
    return steps if steps in KEYS else steps[:-1]


KEYS = set(keys(Sheet))
OUTSIDE = {(name,) for name in OUTSIDE_FINGERPRINT}


def test_every_single_field_of_a_sheet_is_named_alone_when_it_is_changed():
    """The form offers every key of the model: a field that is added later, and not named, fails here."""
    document = tomllib.loads(whole_form())
    then = passed_with(sheet_of(document))
    changed = {key_of(way): way for way in ways(document)}
    assert changed.keys() == KEYS - OUTSIDE - {("version",)}
    for way in ways(document):
        for value in others(document, way):
            seen = standing([then], snapshot(), sheet_of(with_value(document, way, value)))
            assert not seen.covered
            (line,) = seen.differs
            assert line.startswith(f"sheet, {place_of(document, way)} ")


def test_what_is_no_setting_and_how_it_is_written_leave_the_pass_standing():
    document = tomllib.loads(whole_form())
    then = passed_with(sheet_of(document))
    written = copy.deepcopy(document) | {"note": "other words", "parent": "Trial -1"}
    written["clocks"]["limits"].reverse()
    written["clocks"]["reference"] = "0.1 GHz"
    written["voltages"]["offset"] = "-0.015 V"
    turned = {key: written[key] for key in reversed(written)}
    assert turned != document
    assert standing([then], snapshot(), sheet_of(turned)).covered


def test_a_sheet_of_now_is_held_against_the_sheet_of_then_field_by_field():
    declared = sheet_of({"version": 1, "name": "Trial", "clocks": {"limits": [{"active-cores": 2, "ratio": 50}]}})
    changed = sheet_of({"version": 1, "name": "Trial", "clocks": {"limits": [{"active-cores": 2, "ratio": 51}]}})
    before = snapshot()
    then = verdict(record(sheet=declared, snapshot=before, fingerprint=fingerprint(declared, before)))
    assert standing([then], snapshot(), declared).covered
    assert standing([then], snapshot()).covered, "no sheet given: as it was declared then"
    seen = standing([then], snapshot(governor="powersave"), changed)
    assert (seen.covered, seen.differs) == (
        False,
        (
            "sheet, clocks, limits, up to 2 active cores: ratio 50 → 51",
            "clock policies, cores 0-1, governor: performance → powersave",
        ),
    )
    bare = verdict(record(with_sheet=False))
    assert standing([bare], snapshot(), changed).differs == (f"sheet: none → {changed.name}",)


def test_a_verdict_of_the_old_form_is_read_shown_and_covers_nothing_new():
    document = json.loads(passed().model_dump_json())
    document["snapshot_before"] = document["evidence"]["snapshot_after"] = OLD_SNAPSHOT
    document["fingerprint"] = "0" * 64
    document["sheet"] = {"version": 1, "name": "Trial", "values": {"core voltage": "1.2 V"}}
    document["evidence"] = {key: each for key, each in document["evidence"].items() if key not in ADDED_LATER}
    for worker in document["evidence"]["stages"][0]["workers"]:
        del worker["taken_percent"]
    old = Verdict.model_validate_json(json.dumps(document), extra="ignore")
    assert old.snapshot_before == Snapshot.model_validate_json(json.dumps(OLD_SNAPSHOT), extra="ignore")
    assert old.snapshot_before.processor == "A processor"
    assert ("board", "not shown by this system") in view(old).settings
    assert fingerprint(old.sheet, old.snapshot_before) != old.fingerprint
    now = standing([old], snapshot())
    assert not now.covered
    assert "firmware version: not shown → 1.20" in now.differs


def test_a_change_that_was_seen_before_a_stage_is_not_said_again_at_the_end():
    seen = record()
    line = "clock policies, cores 0-1, governor: performance → powersave"
    early = found("settings-changed", "inconclusive", f"changed before stage 1 began: {line}", stage=0)
    after = snapshot(governor="powersave", boost="off")
    judged = verdict(seen, [*clean_run(seen), early], snapshot_after=after)
    assert [reason.text for reason in judged.reasons if reason.rule == "settings-changed"] == [
        f"changed before stage 1 began: {line}",
        "changed during the run: boost: on → off",
    ]
