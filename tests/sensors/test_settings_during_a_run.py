"""A setting that the system shows differently after the load than before it: a right result proves nothing then."""

from __future__ import annotations

import pytest
from rules.run_parts import record, verdict
from snapshot_tree import CPU, PROC, desktop, policy_files, write

from soakd.sensors.snapshot import take_snapshot

BENCH = desktop(4)
CHANGES = {
    "a governor": (policy_files(2, scaling_governor="powersave"), ["governor", "performance", "powersave"]),
    "the cores that we may use": (
        {"fs/cgroup/system.slice/cpuset.cpus.effective": "0-1"}, ["0-31", "0-1"],
    ),
    "the firmware": ({"class/dmi/id/bios_date": "04/01/2025"}, ["firmware", "03/01/2025", "04/01/2025"]),
    "boost": ({f"{CPU}/cpufreq/boost": "0"}, ["boost"]),
}  # fmt: skip


@pytest.mark.parametrize("name", CHANGES)
def test_a_setting_that_changed_during_the_run_leaves_no_pass_and_is_named(name, tmp_path):
    files, words = CHANGES[name]
    write(tmp_path / "proc", PROC)
    write(tmp_path / "sys", BENCH)
    before = take_snapshot(tmp_path / "proc", tmp_path / "sys")
    about = record(snapshot=before)
    assert verdict(about, snapshot_after=take_snapshot(tmp_path / "proc", tmp_path / "sys")).outcome == "pass"
    write(tmp_path / "sys", files)
    judged = verdict(about, snapshot_after=take_snapshot(tmp_path / "proc", tmp_path / "sys"))
    assert judged.outcome == "inconclusive"
    assert {reason.rule for reason in judged.reasons} == {"settings-changed"}
    text = "\n".join(reason.text for reason in judged.reasons)
    assert [word for word in words if word not in text] == []
