"""A tuner's hook: real programs, with limits; what it says is held against the sheet, and it is always undone."""

import json
import stat
import time
from pathlib import Path

import pytest
from queue_bench import Bench, plan

from soakd.errors import RefusedError
from soakd.model.entry import EntryAsk, EntryState, Hook
from soakd.model.sheet import Sheet
from soakd.service.hook_keeper import HookKeeper
from soakd.service.hooks import call, refuse_unsafe

SHEET = Sheet(version=1, name="T", values={"core voltage offset": "-30 mV", "cache ratio": 42, "boost": True})
OBEDIENT = """#!/bin/sh
sheet=$(cat)
case $1 in
    apply) printf '%s' "$sheet" > {state} ;;
    confirm) echo '{{"Core voltage offset": "-0.03 V", "cache ratio": 42, "boost": "yes", "more": 1}}' ;;
    undo) rm -f {state} ;;
esac
"""


@pytest.fixture
def folder(tmp_path):
    """Owned by us and writable by nobody else, as a hook's place has to be."""
    place = tmp_path / "hooks"
    place.mkdir(mode=0o755)
    return place


def hook_of(folder, text, **parts):
    path = folder / "hook.sh"
    path.write_text(text.format(state=folder / "state"))
    path.chmod(0o755)
    return Hook(command=(str(path),), **parts)


def test_a_hook_is_told_the_sheet_and_confirms_it_in_its_own_spelling(folder):
    hook = hook_of(folder, OBEDIENT)
    assert call(hook, "apply", SHEET).trouble is None
    assert json.loads((folder / "state").read_text())["values"]["cache ratio"] == 42
    assert call(hook, "confirm", SHEET).trouble is None
    assert call(hook, "undo", SHEET).trouble is None
    assert not (folder / "state").exists()


@pytest.mark.parametrize(
    ("script", "verb", "words"),
    [
        ("echo no such offset; exit 3", "apply", "ended with 3: no such offset"),
        ("exit 1", "undo", "it said nothing"),
        ("echo hello", "confirm", "must print a JSON object"),
        ("echo '[1]'", "confirm", "must print a JSON object"),
        ("""echo '{{"cache ratio": 42}}'""", "confirm", "does not speak of boost, core voltage offset"),
        (
            """echo '{{"cache ratio": 41, "boost": true, "core voltage offset": "-30 mV"}}'""",
            "confirm",
            "cache ratio: declared 42, confirmed 41",
        ),
        ("sleep 60", "apply", "not done after 1 s, killed"),
        ("kill -9 $$", "apply", "ended with -9"),
    ],
)
def test_what_a_hook_does_wrong_is_said(folder, script, verb, words):
    hook = hook_of(folder, f"#!/bin/sh\n{script}\n", timeout=1.0)
    assert words in call(hook, verb, SHEET).trouble


TYPED = Sheet(version=1, name="T", clocks={"reference": 100.0, "limits": ({"active-cores": 4, "ratio": 49.0},)})


@pytest.mark.parametrize(
    ("stated", "trouble"),
    [
        ({"clocks, reference": "0.1 GHz"}, None),
        ({"clocks, limits, up to 4 active cores: ratio": 49, "of no sheet": 1}, None),
        (
            {"clocks, limits, up to 4 active cores: ratio": 48},
            "hook confirm: clocks, limits, up to 4 active cores: ratio: declared 49, confirmed 48",
        ),
        ({}, "hook confirm: it does not speak of any setting of the sheet"),
        ({"of no sheet": 1}, "hook confirm: it does not speak of any setting of the sheet"),
    ],
)
def test_a_hook_names_settings_by_their_places(folder, stated, trouble):
    hook = hook_of(folder, "#!/bin/sh\ncat > /dev/null\ncat {state}\n")
    (folder / "state").write_text(json.dumps(stated))
    assert call(hook, "confirm", TYPED).trouble == trouble


def test_a_late_hook_is_killed_with_everything_it_started(folder):
    hook = hook_of(folder, "#!/bin/sh\nsleep 61 &\necho $! > {state}\nwait\n", timeout=2.0)
    assert "killed" in call(hook, "apply", SHEET).trouble
    child = int((folder / "state").read_text())
    deadline = time.monotonic() + 30
    while Path(f"/proc/{child}").exists() and "Z" not in Path(f"/proc/{child}/stat").read_text().split()[2]:
        assert time.monotonic() < deadline
        time.sleep(0.01)


def test_a_hook_sees_none_of_the_daemon_s_environment(folder, monkeypatch):
    monkeypatch.setenv("SOAKD_SECRET", "do not tell")
    hook = hook_of(folder, "#!/bin/sh\nenv > {state}; pwd >> {state}\n")
    assert call(hook, "apply", SHEET).trouble is None
    seen = (folder / "state").read_text()
    assert "do not tell" not in seen
    assert seen.splitlines()[-1] == "/"


@pytest.mark.parametrize("mode", [0o777, 0o775, 0o644])
def test_a_program_that_others_could_change_or_nobody_can_run_is_refused(folder, mode):
    hook = hook_of(folder, OBEDIENT)
    Path(hook.command[0]).chmod(mode)
    with pytest.raises(RefusedError):
        refuse_unsafe(hook)


def test_a_program_in_a_folder_that_others_can_write_is_refused(folder):
    hook = hook_of(folder, OBEDIENT)
    folder.chmod(0o777)
    with pytest.raises(RefusedError, match="others"):
        refuse_unsafe(hook)


@pytest.mark.parametrize("path", ["hook.sh", "./hook.sh", "/no/such/hook"])
def test_a_program_that_is_not_there_or_not_absolute_is_refused(path):
    with pytest.raises(RefusedError):
        refuse_unsafe(Hook(command=(path,)))


class Keeper:
    """The keeper with its queue, turned by hand until its call is over."""

    def __init__(self, bench):
        self.bench = bench
        self.keeper = HookKeeper(
            bench.queue, bench.dispatcher, lambda news: bench.told.append((news.occasion, news.body)), lambda: None
        )

    def turned(self):
        deadline = time.monotonic() + 60
        applied = None
        while self.keeper.busy:
            assert time.monotonic() < deadline
            applied = self.keeper.turn() or applied
            time.sleep(0.005)
        return applied


@pytest.fixture
def bench(tmp_path):
    made = Bench(tmp_path / "journal.db")
    yield made
    made.writer.close()


def added(bench, hook):
    entry_id = bench.operations.add(EntryAsk(plan=plan("hooked"), sheet=SHEET, hook=hook)).entry_id
    start = bench.dispatcher.next_start()
    assert start.record is None, "nothing is drafted before the settings are in effect"
    assert start.entry.entry_id == entry_id
    return start.entry


def test_settings_come_into_effect_before_the_run_and_are_taken_back_after_it(bench, folder):
    keeper = Keeper(bench)
    entry = added(bench, hook_of(folder, OBEDIENT))
    keeper.keeper.apply(entry)
    assert [e.entry_id for e in bench.queue.with_hook_on()] == [entry.entry_id]
    assert keeper.turned().entry_id == entry.entry_id
    assert (folder / "state").exists()
    keeper.keeper.undo()
    assert keeper.turned() is None
    assert not (folder / "state").exists()
    assert bench.queue.with_hook_on() == []


def test_a_hook_that_fails_holds_its_entry_with_the_reason_and_is_undone(bench, folder):
    keeper = Keeper(bench)
    refusing = "#!/bin/sh\ncase $1 in apply) echo too low; exit 1;; undo) touch {state};; esac\n"
    entry = added(bench, hook_of(folder, refusing))
    keeper.keeper.apply(entry)
    assert keeper.turned() is None
    assert bench.state(entry.entry_id) is EntryState.HELD
    assert "too low" in bench.queue.find(entry.entry_id).reason
    assert (folder / "state").exists(), "undo was called"
    assert [occasion for occasion, _ in bench.told] == ["not-started"]


def test_after_a_crash_what_was_in_effect_is_taken_back_first(bench, folder):
    entry = added(bench, hook_of(folder, OBEDIENT))
    first = Keeper(bench)
    first.keeper.apply(entry)
    first.turned()
    assert (folder / "state").exists()
    second = Keeper(bench)
    second.keeper.recover()
    second.turned()
    assert not (folder / "state").exists()
    assert bench.queue.with_hook_on() == []


def test_an_unsafe_hook_is_refused_when_it_is_added(bench, folder):
    hook = hook_of(folder, OBEDIENT)
    Path(hook.command[0]).chmod(stat.S_IRWXU | stat.S_IRWXO)
    with pytest.raises(RefusedError):
        bench.operations.add(EntryAsk(plan=plan(), sheet=SHEET, hook=hook))
