"""An evening with the daemon as a tuner has it: commands typed, a series with a hook, a webhook told in the morning."""

import http.server
import json
import os
import subprocess
import sys
import threading

import pytest
from soak_bench import wait_until

pytestmark = pytest.mark.soak
PLAN = """
version = 1
name = "Short"
coverage-floor = "80 %"
[guard]
temperature = "if-available"
[[stage]]
name = "Integer"
workload = "integer"
duration = "1 s"
"""
HOOK = """#!/bin/sh
sheet=$(cat)
echo "$1" >> {log}
[ "$1" = confirm ] || exit 0
printf '%s' "$sheet" | {python} -c 'import json, sys
(core,) = json.load(sys.stdin)["clocks"]["cores"]
print(json.dumps({{"clocks, cores, core 0: ratio": core["ratio"]}}))'
"""


def typed(daemon, *words, code=0):
    """A command as a person types it."""
    done = subprocess.run(
        [sys.executable, "-m", "soakd.cli.main", *map(str, words)],
        env={**os.environ, "SOAKD_HOME": str(daemon.home)}, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == code, done.stdout + done.stderr
    return done.stdout


@pytest.fixture
def folder(daemon):
    place = daemon.folder / "files"
    place.mkdir(mode=0o755)
    (place / "short.toml").write_text(PLAN)
    for ratio in (47, 48):
        (place / f"{ratio}.toml").write_text(
            f'version = 1\nname = "Ratio {ratio}"\n[clocks]\ncores = [{{core = 0, ratio = {ratio}}}]\n'
        )
    return place


def test_a_series_applies_each_sheet_before_its_run_and_takes_it_back_after(daemon, folder):
    hook = folder / "hook.sh"
    hook.write_text(HOOK.format(log=folder / "log", python=sys.executable))
    hook.chmod(0o755)
    (folder / "series.toml").write_text(
        f"""
version = 1
name = "Ratios"
plan = "short.toml"
[hook]
command = ["{hook}"]
[[trial]]
sheet = "47.toml"
[[trial]]
sheet = "48.toml"
"""
    )
    daemon.start().ready()
    entries = json.loads(typed(daemon, "queue", "series", folder / "series.toml", "--json"))
    assert [entry["sheet"]["name"] for entry in entries] == ["Ratio 47", "Ratio 48"]
    wait_until(lambda: len(daemon.outcomes()) == 2, "the series did not end", 60)
    assert [outcome for _, outcome in daemon.outcomes()] == ["pass", "pass"]
    assert daemon.stop() == 0
    assert (folder / "log").read_text().split() == ["apply", "confirm", "undo"] * 2
    prints = {fingerprint for (fingerprint,) in daemon.rows("SELECT fingerprint FROM verdict")}
    assert len(prints) == 2, "two sheets are two fingerprints"


def test_what_a_hook_has_applied_is_taken_back_after_a_crash_before_anything_else(daemon, folder):
    hook = folder / "hook.sh"
    hook.write_text(HOOK.format(log=folder / "log", python=sys.executable))
    hook.chmod(0o755)
    long_plan = PLAN.replace("1 s", "10 min")
    (folder / "short.toml").write_text(long_plan)
    (folder / "series.toml").write_text(
        f'version = 1\nname = "S"\nplan = "short.toml"\n[hook]\ncommand = ["{hook}"]\n[[trial]]\nsheet = "47.toml"\n'
    )
    daemon.start().ready()
    typed(daemon, "queue", "series", folder / "series.toml")
    daemon.wait_for_load()
    daemon.kill()
    assert (folder / "log").read_text().split() == ["apply", "confirm"]
    daemon.start().ready()
    wait_until(lambda: (folder / "log").read_text().split()[-1] == "undo", "the settings stayed in effect", 30)
    assert daemon.outcomes() == [("Short", "inconclusive")]


def test_a_series_whose_last_file_is_wrong_queues_nothing(daemon, folder):
    (folder / "series.toml").write_text(
        'version = 1\nname = "S"\nplan = "short.toml"\n[[trial]]\nsheet = "47.toml"\n[[trial]]\nsheet = "49.toml"\n'
    )
    daemon.start().ready()
    typed(daemon, "queue", "series", folder / "series.toml", code=78)
    assert json.loads(typed(daemon, "queue", "list", "--json")) == []


class Morning(http.server.BaseHTTPRequestHandler):
    """A webhook that keeps what it is told."""

    told: list

    def do_POST(self):
        self.told.append(json.loads(self.rfile.read(int(self.headers["content-length"]))))
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_):
        pass


def test_somebody_is_told_in_the_morning(daemon, folder):
    Morning.told = []
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Morning)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        (folder / "soakd.toml").write_text(
            f"""
version = 1
bench = "Lantern"
[[target]]
name = "phone"
url = "json://127.0.0.1:{server.server_port}/"
on = ["started", "verdict"]
"""
        )
        daemon.start("--config", folder / "soakd.toml").ready()
        typed(daemon, "queue", "add", folder / "short.toml", "--sheet", folder / "47.toml")
        wait_until(lambda: len(Morning.told) == 2, "nobody was told", 60)
        assert daemon.stop() == 0
    finally:
        server.shutdown()
        server.server_close()
    started, verdict = Morning.told
    assert "Started: Short · Lantern" in started["title"]
    assert "PASS" in verdict["title"]
    assert "Ratio 47" in verdict["message"]


def test_what_is_queued_stays_as_it_was_when_it_was_added(daemon, folder):
    daemon.start().ready()
    typed(daemon, "queue", "add", folder / "short.toml", "--at", "23:59", "--zone", "UTC")
    (folder / "short.toml").write_text(PLAN.replace('"Short"', '"Edited later"'))
    (entry,) = json.loads(typed(daemon, "queue", "list", "--json"))
    assert entry["plan"] == "Short"


def test_without_a_daemon_the_commands_that_need_it_say_so(daemon):
    for words in (["queue", "list"], ["watch"], ["stop"]):
        typed(daemon, *words, code=69)
