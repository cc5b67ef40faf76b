"""The daemon lends its bench for drills: nothing else starts meanwhile, they can be stopped, and they die with it."""

import json
import os
import signal
import socket
import subprocess
import sys
import time

import pytest
from daemon_bench import LONG, SHORT
from soak_bench import UNTOUCHED, living, wait_until

pytestmark = pytest.mark.soak
QUICK = "clock-stepped"
"""On the virtual bench."""
LOADING = "keeper-stopped"
"""A real one, which takes its time."""
MODULE = "soakd.service.drill_process"


def drills(daemon):
    code, told = daemon.ask("GET", "/drill")
    assert code == 200
    return told


def ended(daemon):
    wait_until(lambda: daemon.status()["drill"] is None, "the drill did not end", 60)
    return drills(daemon)["call"]


def under_load(daemon):
    code, call = daemon.ask("POST", "/drill", {"names": [LOADING]})
    assert (code, call["names"]) == (200, [LOADING])
    wait_until(lambda: daemon.role("soakd.crew.child"), "no load", 30)
    return daemon.everything()


def test_drills_are_done_told_and_kept_out_of_ledger_and_report(daemon):
    daemon.start().ready()
    code, call = daemon.ask("POST", "/drill", {"names": [QUICK, "worker-killed"]})
    assert (code, call["names"], call["report"]) == (200, ["worker-killed", QUICK], None)
    assert daemon.status()["drill"]["of"] == 2
    done = ended(daemon)
    assert {result["name"]: result["state"] for result in done["report"]["results"]} == {
        "worker-killed": "caught", QUICK: "caught",
    }  # fmt: skip
    assert (done["results"], done["doing"], done["trouble"]) == ([], None, "")
    assert drills(daemon)["whole"] is None
    (api,) = daemon.role("soakd.service.web_process")
    os.kill(api, signal.SIGKILL)
    daemon.ready()
    assert drills(daemon)["call"] == done, "an API that is started again is told"
    assert not (daemon.home / "drill.json").exists(), "only a whole round is kept"
    assert daemon.outcomes() == []
    assert daemon.stop() == 0


def test_what_is_queued_waits_for_the_end_of_the_drills(daemon):
    daemon.start().ready()
    under_load(daemon)
    entry = daemon.add(SHORT)
    time.sleep(1.5)
    assert daemon.entry(entry)["state"] == "waiting"
    assert daemon.ask("POST", "/drill")[0] == 409
    assert daemon.ask("POST", "/stop")[1] == {"run_id": None, "drill": True}
    assert ended(daemon)["trouble"] == "stopped by hand"
    wait_until(lambda: [plan for plan, _ in daemon.outcomes()] == ["Short"], "it never ran", 60)


def test_drills_are_refused_while_a_run_is_on_and_by_an_unknown_name(daemon):
    daemon.start().ready()
    code, refusal = daemon.ask("POST", "/drill", {"names": ["worker-tickled"]})
    assert code == 422
    assert "there is no drill 'worker-tickled'" in refusal["detail"]
    daemon.add(LONG)
    daemon.wait_for_load()
    code, refusal = daemon.ask("POST", "/drill", {"names": [QUICK]})
    assert (code, refusal["code"]) == (409, "state")
    assert daemon.status()["drill"] is None


@pytest.mark.parametrize("how", ["stopped", "killed"])
def test_a_daemon_that_ends_takes_its_drills_along(daemon, how):
    daemon.start().ready()
    everything = under_load(daemon)
    if how == "stopped":
        assert daemon.stop(40) == 0
    else:
        os.kill(daemon.process.pid, signal.SIGKILL)
    wait_until(lambda: not living(everything), "something is left", 30)


def test_the_command_has_the_daemon_do_it_and_breaks_it_off(daemon):
    daemon.start().ready()
    done = subprocess.run(
        [sys.executable, "-m", "soakd.cli.main", "drill", QUICK, "--json"],
        env={**os.environ, "SOAKD_HOME": str(daemon.home)}, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert [result["state"] for result in json.loads(done.stdout)["results"]] == ["caught"]
    assert drills(daemon)["call"]["names"] == [QUICK]
    words = [*UNTOUCHED, sys.executable, "-m", "soakd.cli.main", "drill", LOADING]
    with subprocess.Popen(words, env={**os.environ, "SOAKD_HOME": str(daemon.home)}, stderr=subprocess.PIPE) as command:
        wait_until(lambda: daemon.role("soakd.crew.child"), "no load", 30)
        command.send_signal(signal.SIGINT)
        command.communicate(timeout=30)
    assert command.returncode == 130
    assert ended(daemon)["trouble"] == "stopped by hand"


@pytest.mark.parametrize("lent", ["nothing", "another socket"])
def test_a_bench_that_nobody_lends_is_not_drilled(tmp_path, lent):
    with socket.socket(socket.AF_UNIX) as other:
        other.bind(f"\0not the bench {os.getpid()}")
        number = other.fileno() if lent == "another socket" else 99
        done = subprocess.run(
            [sys.executable, "-m", MODULE, str(os.getpid()), str(number), str(tmp_path), QUICK],
            pass_fds=[other.fileno()], capture_output=True, text=True, check=False, timeout=60,
        )  # fmt: skip
    assert done.returncode == 78, done.stderr
    assert json.loads(done.stdout)["trouble"] in {"no bench was lent", "what was lent is not this bench"}
