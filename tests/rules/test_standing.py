"""What the newest pass still means for the bench as it is now."""

from __future__ import annotations

import json

import pytest
from run_parts import clean_run, found, record, snapshot, verdict
from sheets import sheet_of

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


def test_an_older_pass_covers_what_the_newest_does_not():
    older, newest = passed(), passed(governor="powersave")
    seen = standing([newest, older], snapshot())
    assert (seen.covered, seen.run_id, seen.since_utc) == (True, older.run_id, older.evidence.finished_utc)


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


def test_a_verdict_with_a_snapshot_of_the_old_form_is_read_shown_and_covers_nothing_new():
    document = json.loads(passed().model_dump_json())
    document["snapshot_before"] = document["evidence"]["snapshot_after"] = OLD_SNAPSHOT
    document["fingerprint"] = "0" * 64
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
