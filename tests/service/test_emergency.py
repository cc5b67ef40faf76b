"""The action for a bench that still heats: a real program with limits, once in each run, and how it went is said."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from types import SimpleNamespace

import pytest
from soak_bench import living, wait_until

from soakd.errors import RefusedError
from soakd.model.finding import Finding
from soakd.service import emergency
from soakd.service.emergency import Emergency

FINDING = Finding(rule="still-heating", weight="inconclusive", text="Tctl goes on rising", channel="Tctl", sample=91.0)


def run(run_id="a1"):
    return SimpleNamespace(run_id=run_id, plan=SimpleNamespace(name="Overnight"))


@pytest.fixture
def program(tmp_path):
    """Owned by us and writable by nobody else."""
    folder = tmp_path / "actions"
    folder.mkdir(mode=0o755)

    def made(text):
        path = folder / "act.sh"
        path.write_text(f"#!/bin/sh\n{text}\n")
        path.chmod(0o755)
        return str(path)

    return made


def ended(command, *, run_id="a1"):
    over = threading.Event()
    action = Emergency(command, over.set)
    begun = action.act(run(run_id), FINDING)
    assert over.wait(20)
    action.wait()
    return begun, action.outcome()


def test_it_is_told_what_was_found_and_its_arguments_are_its_own(program, tmp_path):
    path = program(f'echo "$@" > {tmp_path}/words; cat > {tmp_path}/said')
    begun, outcome = ended((path, "-P", "now; rm -rf"))
    assert begun == f"the configured action was begun: {path}"
    assert outcome == f"the action {path} did what it should"
    assert (tmp_path / "words").read_text() == "-P now; rm -rf\n"
    said = json.loads((tmp_path / "said").read_text())
    assert (said["run_id"], said["plan"], said["finding"]["sample"]) == ("a1", "Overnight", 91.0)


def test_once_in_each_run(program, tmp_path):
    action = Emergency((program(f"echo . >> {tmp_path}/calls"),))
    assert action.act(run("a1"), FINDING) is not None
    assert action.act(run("a1"), FINDING) is None
    action.wait()
    assert action.outcome() is not None
    assert action.outcome() is None
    action.act(run("b2"), FINDING)
    action.wait()
    assert (tmp_path / "calls").read_text() == ".\n.\n"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("echo no such unit; exit 4", "FAILED: ended with 4: no such unit"),
        ("exit 1", "it said nothing"),
        ("kill -9 $$", "ended with -9"),
    ],
)
def test_what_goes_wrong_is_said(program, text, words):
    assert words in ended((program(text),))[1]


def test_one_that_hangs_is_killed_with_everything_it_began(program, tmp_path, monkeypatch):
    monkeypatch.setattr(emergency, "TIMEOUT_S", 0.5)
    begun, outcome = ended((program(f"sleep 300 & echo $! > {tmp_path}/child; wait"),))
    assert begun is not None
    assert "not done after 0.5 s, killed" in outcome
    child = int((tmp_path / "child").read_text())
    wait_until(lambda: not living([child]), "what it began outlived it", 10)


def test_without_one_it_says_so():
    assert Emergency().act(run(), FINDING) == "no action is configured for this (when-still-heating in soakd.toml)"


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (("poweroff",), "give the absolute path"),
        (("/no/such/program",), "No such file"),
        (("/etc/passwd",), "not a pro"),
    ],
)
def test_what_could_not_be_run_is_refused_before_anything_starts(command, words):
    with pytest.raises(RefusedError, match=words) as refused:
        Emergency(command)
    assert refused.value.message.startswith("when-still-heating /") or "poweroff" in refused.value.message


def test_what_others_could_change_is_refused(program):
    path = program("true")
    Path(path).chmod(0o777)
    with pytest.raises(RefusedError, match="could change it"):
        Emergency((path,))
