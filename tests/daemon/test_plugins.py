"""The daemon with plugins: they run where they are wanted, and none keeps it from starting or answering."""

import json
from pathlib import Path

import pytest
from daemon_bench import SHORT
from plugin_parts import folder_of, sensors
from soak_bench import wait_until

pytestmark = [pytest.mark.soak, pytest.mark.thorough]
EXAMPLE = Path(__file__).resolve().parents[2] / "plugins" / "example-workload"
GOOD = 'def read(self): return {"coolant": 31.5, "pump": 2400}, {}'
TAKEN_BY_OTHERS = {"coverage-low"}
"""What other work on this machine can do to a short run."""
LIMITED = {
    **SHORT,
    "coverage-floor": "50 %",
    "limit": [{"of": "plugin/loop/coolant", "above": "60 °C"}],
    "stage": [{"name": "s", "workload": "plugin/powers", "duration": "1 s"}],
}


@pytest.fixture
def probe(daemon):
    """The folder of a probe that a daemon has beside a workload."""
    plugged = sensors(daemon.folder / "loop", GOOD)
    daemon.config = daemon.folder / "soakd.toml"
    daemon.config.write_text(
        f'[[plugin]]\nname = "loop"\nkind = "sensors"\nsource = "{plugged.source}"\ntime-limit = "5 s"\n'
        f'[[plugin]]\nname = "powers"\nkind = "workload"\nsource = "{EXAMPLE}"\n'
    )
    return Path(plugged.source)


def hang(probe):
    folder_of(probe, "import time\ntime.sleep(1e6)\n")


def test_a_run_with_plugins_is_judged_and_leaves_no_process_of_theirs(daemon, probe):
    daemon.start("--config", daemon.config).ready()
    entry_id = daemon.add(LIMITED)
    wait_until(daemon.outcomes, "no verdict", 90)
    ((body,),) = daemon.rows("SELECT body FROM verdict")
    verdict = json.loads(body)
    assert {reason["rule"] for reason in verdict["reasons"]} <= TAKEN_BY_OTHERS
    (stage,) = verdict["evidence"]["stages"]
    assert (stage["workload"], stage["state"], stage["mismatches"]) == ("plugin/powers", "complete", 0)
    assert daemon.entry(entry_id)["state"] == "done"
    wait_until(lambda: daemon.role("plugin_process") == [], "a plugin's process was left", 30)


def test_one_that_hangs_keeps_nobody_waiting_for_good_and_its_entries_are_held_with_the_reason(daemon, probe):
    daemon.start("--config", daemon.config).ready()
    hang(probe)
    entry_id = daemon.add(LIMITED)
    wait_until(lambda: daemon.entry(entry_id)["state"] == "held", "not held", 60)
    assert "plugin loop: it has not said what its channels are within 5 s" in daemon.entry(entry_id)["reason"]
    assert daemon.outcomes() == []


def test_one_that_is_broken_when_the_daemon_starts_keeps_it_from_nothing_else(daemon, probe):
    hang(probe)
    daemon.start("--config", daemon.config).ready()
    code, refused = daemon.ask("POST", "/entries", {"plan": LIMITED})
    assert code >= 400
    assert "plugin loop: it has not said what its channels are" in str(refused)
    code, refused = daemon.ask("POST", "/entries", {"plan": {**LIMITED, "stage": [
        {"name": "s", "workload": "plugin/unknown", "duration": "1 s"}]}})  # fmt: skip
    assert code >= 400
    assert "there is no plugin of that name here" in str(refused)
    assert daemon.status() is not None
