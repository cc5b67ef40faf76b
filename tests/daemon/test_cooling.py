"""The daemon after a stop: nothing new is loaded until the bench has cooled; one that heats on is told of at once."""

import json
import time

import pytest
from bench_tree import Chip, bench_command, make_hwmon, need_namespaces, put
from daemon_bench import LONG, SERVE, SHORT
from soak_bench import living, wait_until

pytestmark = [pytest.mark.soak, pytest.mark.thorough]
PROCESSOR = Chip(driver="k10temp", files={"temp1_input": 45000, "temp1_label": "Tctl", "temp1_crit": 95000})
TCTL = "hwmon0/temp1_input"
HOT = {
    **LONG,
    "guard": {"tick": "0.2 s", "gap-hold": "2 s"},
    "limit": [{"of": "cpu-temperature", "above": "90 °C"}],
}
NOWHERE = '[[target]]\nname = "mailbox"\nurl = "json://127.0.0.1:9/"\non = ["stopped"]\nquiet = "00:00-23:59"\n'


@pytest.fixture
def tree(daemon):
    """The daemon runs on a sensor tree, with an action and somebody to be told who is never reached."""
    need_namespaces()
    made = make_hwmon(daemon.folder / "hwmon", [PROCESSOR])
    folder = daemon.folder / "actions"
    folder.mkdir(mode=0o755)
    action = folder / "act.sh"
    action.write_text(f"#!/bin/sh\ncat > {daemon.folder}/said\nexit 3\n")
    action.chmod(0o755)
    config = daemon.folder / "soakd.toml"
    config.write_text(f'version = 1\n[guard]\nwhen-still-heating = ["{action}"]\n{NOWHERE}')
    config.chmod(0o600)
    daemon.start("--config", config, command=bench_command(made, SERVE)).ready()
    return made


def heated(daemon, tree):
    """A run that its limit has stopped, and another one that waits; its workers are gone."""
    daemon.add(HOT)
    daemon.add({**SHORT, "name": "Next"})
    daemon.wait_for_load()
    workers = daemon.workers()
    wait_until(lambda: (daemon.status()["run"] or {}).get("nearest"), "no reading", 20)
    put(tree / TCTL, 92000)
    wait_until(lambda: not living(workers), "the load outlived its limit", 20)


def test_the_next_run_waits_until_the_bench_has_cooled(daemon, tree):
    heated(daemon, tree)
    wait_until(lambda: (daemon.status()["run"] or {}).get("cooling"), "nobody watches", 20)
    time.sleep(2.0)
    status = daemon.status()
    assert (status["run"]["plan"], status["run"]["cooling"]) == ("Long", {"hwmon/k10temp/Tctl": 92.0})
    assert status["queue"]["waiting"] == 1
    assert daemon.outcomes() == []
    put(tree / TCTL, 45000)
    wait_until(lambda: len(daemon.outcomes()) == 2, "the next one never ran", 60)
    assert [plan for plan, _ in daemon.outcomes()] == ["Long", "Next"]
    assert daemon.outcomes()[0] == ("Long", "fail")
    assert daemon.stop() == 0


def test_a_bench_that_heats_on_is_told_of_through_any_quiet_time_and_the_action_is_run(daemon, tree):
    heated(daemon, tree)
    begun_s = time.monotonic()
    said = daemon.folder / "said"
    while not (said.is_file() and said.stat().st_size):
        assert time.monotonic() - begun_s < 60, "the action was not run"
        put(tree / TCTL, round(1000 * (92.0 + 0.8 * (time.monotonic() - begun_s))))
        time.sleep(0.05)
    assert json.loads(said.read_text())["finding"]["rule"] == "still-heating"
    wait_until(lambda: len(messages(daemon)) >= 3, "nobody was told", 20)
    told = messages(daemon)
    (urgent,) = [body for subject, body, urgent in told if urgent]
    assert "goes on rising although the load has been gone" in urgent
    assert "The configured action was begun" in urgent
    assert any("FAILED: ended with 3" in body for _, body, _ in told)
    assert daemon.stop() == 0, "a daemon that is to end does not wait for the bench"
    ((outcome, body),) = daemon.rows("SELECT outcome, body FROM verdict")
    assert outcome == "fail"
    assert '"rule":"still-heating"' in body


def messages(daemon):
    return daemon.rows("SELECT subject, body, urgent FROM message ORDER BY message_id")
