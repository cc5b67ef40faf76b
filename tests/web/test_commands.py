"""The commands that talk to the daemon, as a person types them."""

import io
import json
import os
import signal
import subprocess
import sys
import time
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass

import pytest
from fake_daemon import RUN, claim

from soakd.cli.main import main

SOAKD = [sys.executable, "-m", "soakd.cli.main"]


@dataclass
class Done:
    returncode: int
    stdout: str
    stderr: str


def soakd(home, *words, **environment):
    """In this very process, from the command line to the exit code."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(out), redirect_stderr(err):
        patch.setattr(sys, "argv", ["soakd", *words])
        for name, value in {"SOAKD_HOME": str(home), **environment}.items():
            patch.setenv(name, value)
        with pytest.raises(SystemExit) as left:
            main()
    return Done(left.value.code or 0, out.getvalue(), err.getvalue())


def soakd_apart(home, *words):
    """In a process of its own."""
    return subprocess.run(
        [*SOAKD, *words], env={**os.environ, "SOAKD_HOME": str(home)},
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip


def as_json(home, *words):
    done = soakd(home, *words, "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def one_line(done, code):
    """An error is one line and a hint, and no traceback."""
    assert done.returncode == code, done.stderr
    assert done.stderr.startswith("soakd: ")
    assert "Traceback" not in done.stderr
    assert len(done.stderr.splitlines()) <= 2
    return done.stderr


@pytest.mark.parametrize(
    "words", [["queue", "list"], ["queue", "add", "three-minutes"], ["watch"], ["watch", "--once"], ["stop"]]
)
def test_without_a_daemon_it_is_one_line_and_69(tmp_path, words):
    assert "no daemon answers at" in one_line(soakd_apart(tmp_path, *words), 69)


def test_an_entry_from_its_birth_to_its_end(start, tmp_path):
    home = start().home
    sheet = tmp_path / "mine.toml"
    sheet.write_text('version = 1\nname = "Mine"\n[clocks]\nreference = "100 MHz"\n', encoding="utf-8")
    entry = as_json(home, "queue", "add", "three-minutes", "--sheet", str(sheet), "--priority", "3", "--count", "2")
    entry_id = entry["entry_id"]
    assert (entry["plan"]["name"], entry["priority"], entry["count"]) == ("Three minutes", 3, 2)
    assert entry["sheet"]["clocks"]["reference"] == "100 MHz"
    assert [line["entry_id"] for line in as_json(home, "queue", "list")] == [entry_id]
    assert "Three minutes" in soakd(home, "queue", "list").stdout
    assert as_json(home, "queue", "hold", entry_id[:10])["state"] == "held"
    assert as_json(home, "queue", "release", entry_id)["state"] == "waiting"
    assert as_json(home, "queue", "move", entry_id, "--place", "9")["place"] == 9
    assert "0 of 2" in soakd(home, "queue", "show", entry_id).stdout
    assert as_json(home, "queue", "cancel", entry_id)["state"] == "cancelled"
    assert "is cancelled" in one_line(soakd(home, "queue", "hold", entry_id), 2)
    assert "no entry 'feed'" in one_line(soakd(home, "queue", "show", "feed"), 2)


@pytest.mark.parametrize(
    ("words", "sent"),
    [
        (["--at", "23:00", "--zone", "Europe/Berlin"], {"at": "23:00", "zone": "Europe/Berlin"}),
        (["--cron", "0 23 * * fri"], {"cron": "0 23 * * fri"}),
        (["--window", "23:00-07:00", "--at-end", "carry-on"], {"window": "23:00-07:00", "at-end": "carry-on"}),
        (["--at-boot", "--settle", "5 min"], {"at-boot": True, "settle": "300 s"}),
        (["--after", "beef", "--after-any"], {"after": "beef", "after-any": True}),
        (["--series", "night", "--stop-series"], {"series": "night", "stop-series": True}),
    ],
)
def test_every_option_reaches_the_daemon(shared, words, sent):
    before = len(shared.heard)
    done = soakd(shared.home, "queue", "add", "three-minutes", *words)
    assert done.returncode == 0, done.stderr
    (asked,) = [asked for asked in shared.heard[before:] if asked["verb"] == "add"]
    assert {key: asked["arguments"][key] for key in sent} == sent


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["no-such-plan"], 78, "not a shipped one"),
        (["three-minutes", "--sheet", "no-such-sheet"], 78, "not a shipped one"),
        (["three-minutes", "--window", "evening"], 2, "--window: "),
        (["three-minutes", "--settle", "5"], 2, "--settle: "),
        (["three-minutes", "--at", "23:00", "--cron", "0 23 * * fri"], 2, "only one of"),
    ],
)
def test_what_is_off_is_refused_before_the_daemon_is_asked(shared, words, code, said):
    before = len(shared.heard)
    assert said in one_line(soakd(shared.home, "queue", "add", *words), code)
    assert len(shared.heard) == before


def test_move_needs_something_to_change(shared):
    assert "nothing to change" in one_line(soakd(shared.home, "queue", "move", "beef"), 2)


def test_the_socket_can_be_named(shared, tmp_path):
    assert soakd(tmp_path, "queue", "list", "--socket", str(shared.path)).returncode == 0
    assert soakd(tmp_path, "queue", "list", SOAKD_SOCKET=str(shared.path)).returncode == 0


def test_stop_says_whether_the_run_has_ended(start):
    daemon = start()
    assert soakd(daemon.home, "stop").stdout == "No run is on.\n"
    daemon.run = RUN
    daemon.push_status()
    process = subprocess.Popen(
        [*SOAKD, "stop", "--reason", "noise", "--json"], env={**os.environ, "SOAKD_HOME": str(daemon.home)},
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    while not any(asked["arguments"].get("reason") == "noise" for asked in daemon.heard):
        assert process.poll() is None
        time.sleep(0.02)
    time.sleep(0.5)
    assert process.poll() is None, "it waits for the end"
    daemon.run = None
    daemon.push_status()
    answer = json.loads(process.communicate(timeout=60)[0])
    assert answer == {"run_id": RUN["run_id"], "ended": True, "load_gone": True}
    assert process.returncode == 0


def test_stop_does_not_wait_for_the_bench_to_cool(start):
    """The load is gone then, which is what was asked for."""
    daemon = start()
    daemon.run = {**RUN, "cooling": {"hwmon/k10temp/Tctl": 71.0}}
    daemon.push_status()
    assert as_json(daemon.home, "stop") == {"run_id": RUN["run_id"], "ended": False, "load_gone": True}
    shown = " ".join(soakd(daemon.home, "watch", "--once").stdout.split())
    assert "the bench cools: hwmon/k10temp/Tctl at 71.0 °C" in shown


def test_watch_once_shows_the_margin_and_what_is_proven(start):
    daemon = start()
    daemon.run = {**RUN, "findings": ["core 1 computed a wrong result"], "mismatches": 1}
    daemon.push_status()
    shown = soakd(daemon.home, "watch", "--once").stdout
    for part in ("Fake", "1 of 2: First", "10.0 K left", "40 rounds", "core 1 computed a wrong result"):
        assert part in shown
    assert as_json(daemon.home, "watch", "--once")["run"]["rounds"] == 40


def watching(daemon, *words):
    return subprocess.Popen(
        ["env", "--default-signal=INT", *SOAKD, "watch", *words],
        env={**os.environ, "SOAKD_HOME": str(daemon.home), "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def test_watch_says_in_plain_lines_what_is_new_and_ends_with_ctrl_c(start):
    daemon = start()
    process = watching(daemon)
    assert "no run is on" in process.stdout.readline()
    daemon.run = RUN
    daemon.push_status()
    assert "1 of 2: First" in process.stdout.readline()
    daemon.run = {**RUN, "findings": ["a gap"]}
    daemon.push_status()
    assert "a gap" in process.stdout.readline()
    process.send_signal(signal.SIGINT)
    rest = process.communicate(timeout=60)
    assert (process.returncode, rest[1]) == (0, "")


def test_watch_takes_a_stream_up_again_where_it_broke_off(start):
    first = start()
    first.push_event(1)
    process = watching(first, "--json")
    assert json.loads(process.stdout.readline())["kind"] == "status"
    first.push_event(2, "before")
    seen = []
    while "before" not in json.dumps(seen):
        seen.append(json.loads(process.stdout.readline()))
    first.stop()
    second = start()
    second.push_event(3, "after")
    while "after" not in json.dumps(seen):
        seen.append(json.loads(process.stdout.readline()))
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=60)
    assert [line["id"] for line in seen if line["kind"] == "event"] == ["2", "3"]


def test_a_token_is_shown_once_and_kept_as_a_hash(tmp_path):
    home = tmp_path / "state"
    made = as_json(home, "token", "add", "panel", "--role", "operate")
    file = home / "tokens.json"
    assert file.stat().st_mode & 0o777 == 0o600
    assert made["token"] not in file.read_text()
    assert len(made["token"]) >= 43, "256 bits"
    assert [(t["name"], t["role"]) for t in as_json(home, "token", "list")] == [("panel", "operate")]
    assert made["token"] not in soakd(home, "token", "list").stdout
    assert "already" in one_line(soakd(home, "token", "add", "panel"), 2)
    assert "no name for a token" in one_line(soakd(home, "token", "add", "../x"), 2)
    assert soakd(home, "token", "remove", "panel").returncode == 0
    assert as_json(home, "token", "list") == []
    assert "no token" in one_line(soakd(home, "token", "remove", "panel"), 2)
    file.write_text("[]")
    assert "no list of tokens" in one_line(soakd(home, "token", "list"), 78)


def test_tokens_made_at_the_same_time_are_all_kept(tmp_path):
    home = tmp_path / "state"
    together = [
        subprocess.Popen([*SOAKD, "token", "add", f"t{n}"], env={**os.environ, "SOAKD_HOME": str(home)},
                         stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        for n in range(6)
    ]  # fmt: skip
    assert [process.wait(60) for process in together] == [0] * 6
    assert {token["name"] for token in as_json(home, "token", "list")} == {f"t{n}" for n in range(6)}


def test_a_running_entry_is_stopped_and_not_cancelled(start):
    daemon = start()
    entry_id = as_json(daemon.home, "queue", "add", "three-minutes")["entry_id"]
    claim(daemon.home, entry_id)
    assert "is running" in one_line(soakd(daemon.home, "queue", "cancel", entry_id), 2)
