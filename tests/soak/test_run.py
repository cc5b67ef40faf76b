"""From a plan and a sheet to a verdict, with real kernels, real processes and a real journal."""

import base64
import json
import os
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
from bench_tree import bench_command, need_namespaces, put
from soak_bench import CORES, INTEGER, LONG_INTEGER, MEMORY, VECTOR

from soakd.model.corelist import ranges
from soakd.model.sheet import Sheet
from soakd.model.snapshot import Snapshot
from soakd.rules.fingerprint import fingerprint
from soakd.service import tuning

ROOT = Path(__file__).resolve().parents[2]
SHEET = 'version = 1\nname = "Trial"\n[values]\n"memory data rate" = "6000 MT/s"\n'

pytestmark = pytest.mark.soak


def test_a_plan_with_all_workloads_ends_in_a_pass_that_says_what_it_rests_on(bench):
    sheet = bench.folder / "sheet.toml"
    sheet.write_text(SHEET)
    walk = 'workload = "integer"\npattern = "walking"\ndwell = "1 s"\nduration = "2 s"'
    done = bench.run("run", bench.plan(INTEGER, walk, VECTOR, MEMORY), "--sheet", sheet, "--json")
    assert done.code == 0, done.err
    verdict = done.verdict
    jsonschema.validate(verdict, json.loads((ROOT / "shared/schemas/verdict.schema.json").read_text()))
    assert verdict["outcome"] == "pass"
    assert verdict["reasons"] == []
    for stage in verdict["evidence"]["stages"]:
        assert stage["state"] == "complete"
        assert stage["mismatches"] == 0
        assert [worker["totals"]["core"] for worker in stage["workers"]] == CORES
        for worker in stage["workers"]:
            assert worker["totals"]["rounds"] >= 2
            assert worker["totals"]["operations"] > 1_000_000
            assert worker["checked_percent"] >= 95.0
    assert all(worker["totals"]["sweeps"] > 0 for worker in verdict["evidence"]["stages"][3]["workers"])
    declared = Sheet.model_validate_json(json.dumps(verdict["sheet"]))
    shown = Snapshot.model_validate_json(json.dumps(verdict["snapshot_before"]))
    assert verdict["fingerprint"] == fingerprint(declared, shown)
    assert verdict["evidence"]["snapshot_after"]["boot_id"] == verdict["snapshot_before"]["boot_id"]


def test_the_ledger_gives_back_what_the_run_said(bench):
    done = bench.run("run", bench.plan(INTEGER), "--json")
    listed = json.loads(bench.run("verdict", "list", "--json").out)
    assert [line["run_id"] for line in listed] == [done.verdict["run_id"]]
    assert json.loads(bench.run("verdict", "show", done.verdict["run_id"][:6], "--json").out) == done.verdict
    target = bench.folder / "out.json"
    assert bench.run("verdict", "export", "last", "--out", target).code == 0
    signed = json.loads(base64.b64decode(json.loads(target.read_text())["payload"]))
    assert signed["predicate"]["soakd"]["evidence"] == done.verdict["evidence"]
    for arguments in (["last"], ["--all"], [target]):
        assert bench.run("verdict", "verify", *arguments).code == 0
    text = bench.run("verdict", "show").out
    assert "PASS" in text
    assert "no wrong result" in text


def test_a_core_that_is_shared_with_other_work_was_not_tested_in_full(bench):
    """Three programs that want everything share the cores with the load: its results are right and its time is not."""
    busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(3 * len(CORES))]
    try:
        plan = bench.plan('workload = "integer"\nduration = "3 s"', top='coverage-floor = "95 %"')
        done = bench.run("run", plan, "--json")
    finally:
        for each in busy:
            each.kill()
            each.wait()
    assert done.code == 10
    assert done.rules == ["coverage-low"]
    assert done.verdict["evidence"]["coverage"]["checked_percent"] < 60.0


def test_settings_that_change_during_the_run_leave_no_verdict_to_rely_on_and_each_is_named(bench):
    """What the command's processes may use, a governor, and a firmware of another date, on made files of the kernel."""
    if len(CORES) == 1:
        pytest.fail("this machine has one core only: the case cannot be shown here")
    need_namespaces()
    tree, dmi, policy = (bench.folder / name for name in ("tree", "tree/.dmi", "tree/.cpufreq/policy0"))
    for folder in (tree, dmi, policy):
        folder.mkdir(parents=True)
    put(dmi / "bios_date", "03/01/2025")
    put(policy / "scaling_governor", "performance")
    put(policy / "affected_cpus", " ".join(map(str, CORES)))
    started = bench.start("run", bench.plan(INTEGER), "--json", prefix=bench_command(tree, []))
    started.wait_for_load()
    os.sched_setaffinity(started.process.pid, {CORES[0]})
    put(dmi / "bios_date", "04/01/2025")
    put(policy / "scaling_governor", "powersave")
    done = started.finish()
    assert done.code == 10
    changed = [reason["text"] for reason in done.verdict["reasons"] if reason["rule"] == "settings-changed"]
    assert sorted(text.removeprefix("changed during the run: ") for text in changed) == [
        f"clock policies, cores {ranges(CORES)}, governor: performance → powersave",
        f"cores allowed: {ranges(CORES)} → {CORES[0]}",
        "firmware date: 03/01/2025 → 04/01/2025",
    ]


def test_a_setting_that_changes_is_named_once_with_the_stage_before_which_it_was_seen(bench):
    """The bench goes on; what it learns still counts where something is wrong."""
    if len(CORES) == 1:
        pytest.fail("this machine has one core only: the case cannot be shown here")
    started = bench.start("run", bench.plan(INTEGER, INTEGER, INTEGER), "--json")
    started.wait_for_load()
    os.sched_setaffinity(started.process.pid, {CORES[0]})
    done = started.finish()
    assert done.code == 10
    (reason,) = (reason for reason in done.verdict["reasons"] if reason["rule"] == "settings-changed")
    assert reason["stage"] == 1
    assert reason["text"].startswith("changed before stage 2 began: cores allowed: ")
    assert [stage["state"] for stage in done.verdict["evidence"]["stages"]] == ["complete"] * 3


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"guard": 'temperature = "required"'}, ["temperature", "nothing was started", "hint"]),
        ({"top": 'coverage_floor = "95 %"'}, ["coverage_floor", "did you mean coverage-floor"]),
    ],
    ids=["a bench without a temperature sensor", "an unknown key"],
)
def test_what_is_refused_starts_nothing_and_leaves_no_trace(bench, parts, words):
    done = bench.run("run", bench.plan(INTEGER, **parts))
    assert done.code == 78
    assert "Traceback" not in done.err
    assert all(word in done.err for word in words)
    there = {path.name for path in bench.home.iterdir()} if bench.home.exists() else set()
    assert there <= {tuning.NAME}, "an issue order may have been kept before"


def test_a_core_that_does_not_exist_is_named(bench):
    done = bench.run("run", bench.plan('workload = "integer"\ncores = [4000]\nduration = "2 s"'))
    assert done.code == 78
    assert "plan.toml: stage 1: cores = 4000" in done.err


@pytest.mark.parametrize("home", ["state", "another state"])
def test_one_run_at_a_time_on_a_bench_whatever_the_state_folder(bench, home):
    started = bench.start("run", bench.plan(LONG_INTEGER))
    started.wait_for_load()
    second = bench.run("run", bench.plan(INTEGER), home=bench.folder / home)
    assert second.code == 78
    assert "another run is using this bench" in second.err


@pytest.mark.parametrize("words", [["run", "three-minutes"], ["doctor"], ["sensors", "list"]])
def test_on_another_system_the_commands_that_need_linux_say_so_in_one_line(words):
    script = "import platform, sys; platform.system = lambda: 'Elsewhere'; from soakd.cli.main import main; main()"
    done = subprocess.run([sys.executable, "-c", script, *words], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr == "soakd: this command needs Linux; here is Elsewhere\n"


def test_mistyped_commands_are_usage_errors_without_a_traceback(bench):
    for words in (["run"], ["verdict", "show", "nothing-like-it"], ["sensors", "lst"]):
        done = subprocess.run(
            [sys.executable, "-m", "soakd.cli.main", *words],
            env={**os.environ, "SOAKD_HOME": str(bench.home)}, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode in {2, 74}, words
        assert "Traceback" not in done.stderr
        assert done.stderr.strip()
