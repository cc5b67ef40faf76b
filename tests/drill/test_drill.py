"""`soakd drill`: every alarm is proved in short real runs; without an alarm its drill misses; nothing is left."""

import json
import os
import signal
import subprocess
import sys

import jsonschema
import pytest
from bench_tree import NOT_SHOWN
from mutants import MUTANTS, PACKAGE, Mutant, drilled, mutated
from soak_bench import UNTOUCHED, command, descendants, living, wait_until

from soakd.config.schemas import schemas
from soakd.service.drill.catalogue import drills
from soakd.service.drill.drills import LIMITER_S
from soakd.service.home import Home

pytestmark = pytest.mark.soak
BY_LIMITER = ("guard-stopped", "both-stopped", "limiter-killed", "heat-unseen")
TAKEN_OUT = (
    "suspend",
    "durations by the monotonic clock",
    "the guard's own blindness",
    "a sensor that only trembles",
    "a number that is none",
    "a source that raises",
    "a broken limit fails the run",
    "heat that only the limiter saw fails the run",
    "a machine that went down",
)
"""Mutants whose drills miss soon; all of them: tests/benchmarks/alarms.py."""


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """One call of `soakd drill`: its exit code, its results, its state folder."""
    home = tmp_path_factory.mktemp("drill") / "state"
    return *drilled([], home), home


def test_every_drill_is_caught_on_this_machine(whole):
    code, results, _ = whole
    assert {name: result["why"] for name, result in results.items() if result["state"] == "missed"} == {}
    assert list(results) == [drill.name for drill in drills()]
    assert code == (0 if all(result["state"] == "caught" for result in results.values()) else 10)


@pytest.mark.parametrize("name", BY_LIMITER)
def test_the_load_is_gone_within_the_published_bound(whole, name):
    result = whole[1][name]
    assert result["state"] == "not shown" or result["latency_s"] <= LIMITER_S


def test_what_is_virtual_or_cannot_be_shown_here_says_why(whole):
    other = [
        result for result in whole[1].values() if result["reality"] == "virtual bench" or result["state"] != "caught"
    ]
    assert all(result["why"] for result in other)
    hidden = [result["name"] for result in other if result["state"] == "not shown"]
    if hidden:
        pytest.skip(f"{NOT_SHOWN}: {', '.join(hidden)}")


def test_no_drill_enters_the_ledger_and_the_report_of_all_is_kept(whole):
    _, results, home = whole
    assert not (home / "journal.db").exists()
    kept = json.loads((home / "drill.json").read_text())
    jsonschema.validate(kept, schemas()["drill.schema.json"])
    assert [result["name"] for result in kept["results"]] == list(results)


def test_in_a_copy_of_the_package_with_every_alarm_nothing_is_missed(tmp_path):
    """Or else what the next test sees would mean nothing."""
    names = ("worker-killed", "suspended")
    code, results = drilled(names, tmp_path / "state", package=mutated(Mutant("nothing", names, ()), tmp_path))
    assert {name: result["why"] for name, result in results.items() if result["state"] != "caught"} == {}
    assert code == 0


@pytest.mark.parametrize("alarm", TAKEN_OUT)
def test_without_its_alarm_a_drill_misses_and_says_what_was_seen(alarm, tmp_path):
    (mutant,) = [each for each in MUTANTS if each.alarm == alarm]
    code, results = drilled(mutant.drills, tmp_path / "state", package=mutated(mutant, tmp_path))
    states = {result["state"] for result in results.values()}
    if states == {"not shown"}:
        pytest.skip(f"{NOT_SHOWN}: {', '.join(results)}")
    assert states == {"missed"}
    assert all(result["why"] and result["noticed_by"] is None for result in results.values())
    assert code == 1


def test_where_no_namespace_is_permitted_the_virtual_bench_stands_in_or_it_is_said(tmp_path):
    """A user namespace in which no mount namespace may be made."""
    forbid = 'echo 0 > /proc/sys/user/max_mnt_namespaces && echo 0 > /proc/sys/user/max_user_namespaces && exec "$@"'
    prefix = ["unshare", "-r", "sh", "-c", forbid, "forbidden"]
    if subprocess.run([*prefix, "true"], check=False, capture_output=True).returncode:
        pytest.skip(f"{NOT_SHOWN}: no user namespace")
    code, results = drilled(["sensor-removed", "sensor-faulty"], tmp_path / "state", prefix=prefix)
    assert code == 10
    removed, faulty = results["sensor-removed"], results["sensor-faulty"]
    assert (removed["state"], removed["reality"]) == ("caught", "virtual bench")
    assert faulty["state"] == "not shown"
    assert "no privileges for a namespace" in removed["why"]
    assert removed["why"] == faulty["why"]


def start(folder, *names):
    folder.mkdir()
    environment = {**os.environ, "SOAKD_HOME": str(folder / "state"), "TMPDIR": str(folder)}
    words = [*UNTOUCHED, sys.executable, "-m", "soakd.cli.main", "drill", *names]
    return subprocess.Popen(words, env=environment, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def crews(pid):
    """How many there are that have workers."""
    parents = [each for each in descendants(pid) if "soakd.crew.child" in command(each)]
    return sum(any("soakd.crew.child" in command(below) for below in descendants(each)) for each in parents)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_a_drill_that_is_broken_off_leaves_nothing_behind(number, tmp_path):
    """Not even a killed one leaves a process; its scratch folder it can no longer remove. One is done beside."""
    process = start(tmp_path / "place", "guard-stopped", "keeper-stopped")
    wait_until(lambda: crews(process.pid) == 2, "no load", 30)
    everything = descendants(process.pid)
    process.send_signal(number)
    process.communicate(timeout=30)
    wait_until(lambda: not living(everything), "something is left", 15)
    if number != signal.SIGKILL:
        assert process.returncode == 130
        assert {path.name for path in (tmp_path / "place").iterdir()} == {"state"}


def test_no_drill_is_done_while_a_run_goes_on(tmp_path):
    home = Home(tmp_path / "other")
    home.make()
    with home.bench_lock():
        process = start(tmp_path / "place", "worker-killed")
        _, err = process.communicate(timeout=30)
    assert process.returncode == 78
    assert "another run is using this bench" in err
    assert "or stop the daemon" in err


def test_a_drill_that_does_not_exist_is_named(tmp_path):
    process = start(tmp_path / "place", "worker-tickled")
    _, err = process.communicate(timeout=30)
    assert process.returncode == 2
    assert "there is no drill 'worker-tickled'" in err
    assert "--list" in err


def test_every_drill_has_an_alarm_without_which_it_has_to_miss():
    names = [drill.name for drill in drills()]
    assert len(set(names)) == len(names)
    assert {name for mutant in MUTANTS for name in mutant.drills} == set(names)


def test_every_mutant_can_still_be_made_and_is_drilled():
    for each in MUTANTS:
        assert each.drills, each.alarm
        for change in each.changes:
            assert (PACKAGE / change.module).read_text().count(change.text) == 1, change
