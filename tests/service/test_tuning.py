"""The issue order of a core that nobody has tuned: searched for once, kept, and never carried to another core."""

import json
import math
import os
import signal
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from soak_bench import living, wait_until

from soakd.clock import FakeClock
from soakd.crew import searching
from soakd.crew.searching import OrderSearch
from soakd.errors import WorkloadError
from soakd.service import tuning
from soakd.service.home import Home
from soakd.service.tuning import BEGINS, NAME, KeptOrder, Tuner, unknown_core
from soakd.workloads.classes import CLASSES
from soakd.workloads.clockprobe import ClockProbe
from soakd.workloads.integer import streams

CORES = sorted(os.sched_getaffinity(0))
STREAMS = ("vector/lanes", "integer/streams")
UNKNOWN = {"vendor_id": "HarbourChips", "cpu family": "9", "model": "3", "stepping": "1"}
NATURAL = "".join(sorted(streams.ORDER))
FOUND = {"order": NATURAL, "cycles_per_step": 4.1, "shipped_cycles_per_step": 5.2, "trials": 600}
KNOWN = {"vendor_id": "GenuineIntel", "cpu family": "6", "model": "207", "stepping": "2"}
WITHOUT_ORDER = {"vendor_id": "AuthenticAMD", "cpu family": "25", "model": "17", "stepping": "1"}
"""A family whose limits are known, and no order."""


class Searched:
    """A search that somebody else has done."""

    def __init__(self, answer, *, done=True):
        self.done = done
        self.killed = False
        self._answer = answer

    def kill(self):
        self.killed = True

    def answer(self):
        if isinstance(self._answer, Exception):
            raise self._answer
        return self._answer


class Machine:
    """A state folder in a machine; each `process` is one that starts there later."""

    def __init__(self, folder):
        self.home = Home(folder / "state")
        self.home.make()
        self.file = self.home.folder / NAME
        self.clock = FakeClock()
        self.told = []
        self.begun = []
        self.found = FOUND
        """What the next search finds: fields, or an error."""

    def process(self, shown=UNKNOWN):
        return Tuner(self.home, self.clock, self.told.append, shown=shown, search=self._search)

    def order(self, kernels=STREAMS, shown=UNKNOWN):
        """What a process builds with that starts now."""
        tuner = self.process(shown)
        while not tuner.ready(kernels):
            pass
        return tuner.order(kernels)

    def _search(self, core, seed):
        mark = KeptOrder.model_validate_json(self.file.read_bytes())
        assert (mark.order, mark.seed) == (None, seed), "that it begins is on record before it begins"
        self.begun.append(core)
        return Searched(self.found)


@pytest.fixture
def machine(tmp_path, monkeypatch):
    monkeypatch.setattr(tuning, "architecture", lambda: "x86-64")
    return Machine(tmp_path)


def test_the_first_process_searches_once_on_one_core_and_later_ones_use_what_it_kept(machine):
    assert machine.order() == FOUND["order"]
    assert (machine.told, machine.begun) == ([BEGINS], CORES[:1])
    assert [machine.order() for _ in range(3)] == [FOUND["order"]] * 3
    assert (machine.told, machine.begun) == ([BEGINS], CORES[:1])


def test_the_file_says_what_was_found_where_when_and_by_whom_and_is_its_owners_alone(machine):
    machine.order()
    kept = json.loads(machine.file.read_text())
    assert kept["core"] == "HarbourChips 9 3 1"
    assert {name: kept[name] for name in FOUND} == FOUND
    assert kept["begun_utc"] == "2026-01-01T00:00:00.000Z"
    assert kept["soakd_version"]
    assert 0 <= kept["seed"] < 2**32
    assert stat.S_IMODE(machine.file.stat().st_mode) == 0o600
    assert list(machine.home.folder.iterdir()) == [machine.file]


def test_a_known_family_without_an_order_is_searched_for(machine):
    assert machine.order(shown=WITHOUT_ORDER) == FOUND["order"]


@pytest.mark.parametrize("shown", [KNOWN, {}, {**UNKNOWN, "stepping": ""}])
def test_a_known_family_and_a_core_that_does_not_say_what_it_is_are_not_searched_for(machine, shown):
    assert machine.order(shown=shown) is None
    assert (machine.told, machine.begun, machine.file.exists()) == ([], [], False)


def test_another_architecture_is_not_searched_for(machine, monkeypatch):
    monkeypatch.setattr(tuning, "architecture", lambda: "aarch64")
    assert machine.order() is None
    assert machine.begun == []


@pytest.mark.parametrize("kernels", [(), ("vector/lanes", "memory/march")])
def test_kernels_that_take_no_order_are_neither_searched_for_nor_given_one(machine, kernels):
    assert machine.order(kernels) is None
    assert machine.begun == []
    tuner = machine.process()
    while not tuner.ready(STREAMS):
        pass
    assert (tuner.order(STREAMS), tuner.order(kernels)) == (FOUND["order"], None)


def test_a_kernel_that_has_the_streams_in_it_is_given_the_order_too(machine):
    assert machine.order(("mixed/apart",)) == FOUND["order"]


def test_whoever_asks_never_waits_and_nothing_is_built_before_the_search_is_over(machine):
    going = Searched(FOUND, done=False)
    tuner = Tuner(machine.home, machine.clock, machine.told.append, shown=UNKNOWN, search=lambda *_: going)
    assert [(tuner.ready(STREAMS), tuner.turn(), tuner.order(STREAMS)) for _ in range(3)] == [(False, True, None)] * 3
    going.done = True
    assert (tuner.turn(), tuner.ready(STREAMS), tuner.order(STREAMS)) == (False, True, FOUND["order"])
    assert machine.told == [BEGINS]


@pytest.mark.parametrize(
    "change",
    [
        {"order": NATURAL[:-1]},
        {"order": NATURAL + "0"},
        {"order": "0" + NATURAL[:-1]},
        {"order": int(NATURAL)},
        {"version": 2},
        {"cycles_per_step": "fast"},
        {"somebody": "else"},
    ],
)
def test_a_file_that_holds_no_order_is_told_and_made_anew(machine, change):
    machine.order()
    machine.file.write_text(json.dumps({**json.loads(machine.file.read_text()), **change}))
    assert machine.order() == FOUND["order"]
    assert machine.told[1:] == [f"{machine.file} holds no issue order that can be used", BEGINS]
    assert KeptOrder.model_validate_json(machine.file.read_bytes()).order == FOUND["order"]


@pytest.mark.parametrize("length", [0, 1, 100])
def test_a_file_that_was_cut_off_is_made_anew(machine, length):
    machine.order()
    machine.file.write_bytes(machine.file.read_bytes()[:length])
    assert machine.order() == FOUND["order"]
    assert len(machine.begun) == 2


@pytest.mark.parametrize("field", UNKNOWN)
def test_a_drive_in_another_machine_does_not_carry_its_order_along(machine, field):
    machine.order()
    machine.found = {**FOUND, "order": streams.ORDER}
    assert machine.order(shown={**UNKNOWN, field: "7"}) == streams.ORDER
    assert machine.told[1:] == [f"{machine.file} holds the issue order of another core: HarbourChips 9 3 1", BEGINS]


@pytest.mark.parametrize(
    ("found", "why"),
    [
        (WorkloadError("the search ended with -11 and without a result"), "ended with -11"),
        ({**FOUND, "cycles_per_step": math.inf, "shipped_cycles_per_step": math.inf}, "no figures that can be used"),
        ({**FOUND, "order": "0123"}, "no figures that can be used"),
    ],
)
def test_a_search_that_comes_to_nothing_is_told_once_and_tried_again_by_the_next_process(machine, found, why):
    machine.found = found
    tuner = machine.process()
    assert [tuner.ready(STREAMS) for _ in range(4)] == [False, True, True, True]
    assert tuner.order(STREAMS) is None
    assert machine.told[0] == BEGINS
    assert "keep the order that travels with soakd" in machine.told[1]
    assert why in machine.told[1]
    assert len(machine.told) == 2
    machine.found = FOUND
    assert machine.order() == FOUND["order"]


def test_a_search_in_which_the_machine_went_down_is_not_tried_again_by_itself(machine, monkeypatch):
    assert not machine.process().ready(STREAMS)
    monkeypatch.setattr(tuning, "boot_id", lambda: "another boot")
    assert [machine.order() for _ in range(2)] == [None] * 2
    assert len(machine.begun) == 1
    assert "the search of 2026-01-01T00:00:00.000Z had not ended when the machine was started again" in machine.told[-1]
    assert str(machine.file) in machine.told[-1]
    machine.file.unlink()
    machine.found = FOUND
    assert machine.order() == FOUND["order"]


@pytest.mark.parametrize("ends", ["killed", "failed", "dropped"])
def test_a_search_that_ended_otherwise_is_tried_again(machine, monkeypatch, ends):
    machine.found = WorkloadError("whatever")
    tuner = machine.process()
    assert not tuner.ready(STREAMS)
    if ends == "failed":
        assert not tuner.turn()
    elif ends == "dropped":
        tuner.drop()
    if ends != "killed":
        assert not machine.file.exists()
        monkeypatch.setattr(tuning, "boot_id", lambda: "another boot")
    machine.found = FOUND
    assert machine.order() == FOUND["order"]


def test_what_was_found_is_kept_although_nobody_needs_it_any_more(machine):
    tuner = machine.process()
    tuner.ready(STREAMS)
    assert not tuner.turn()
    tuner.drop()
    assert KeptOrder.model_validate_json(machine.file.read_bytes()).order == FOUND["order"]


def test_whoever_stops_waiting_leaves_neither_search_nor_mark(machine, monkeypatch):
    going = Searched(FOUND, done=False)
    monkeypatch.setattr(tuning, "Tuner", lambda *args: Tuner(*args, shown=UNKNOWN, search=lambda *_: going))

    def interrupted(_):
        raise KeyboardInterrupt

    monkeypatch.setattr(machine.clock, "sleep", interrupted)
    with pytest.raises(KeyboardInterrupt):
        tuning.issue_order(STREAMS, machine.home, machine.clock, machine.told.append)
    assert going.killed
    assert not machine.file.exists()


def test_an_order_that_was_found_is_used_in_later_boots(machine, monkeypatch):
    machine.order()
    monkeypatch.setattr(tuning, "boot_id", lambda: "another boot")
    assert machine.order() == FOUND["order"]
    assert len(machine.begun) == 1


def test_what_cannot_go_on_record_is_not_begun(machine):
    machine.home.folder.rmdir()
    assert machine.order() is None
    assert machine.begun == []
    assert "No such file or directory" in machine.told[0]


def test_the_core_of_this_machine_is_unknown_or_of_a_family(monkeypatch):
    assert unknown_core(KNOWN) is None
    monkeypatch.setattr(tuning, "architecture", lambda: "x86-64")
    assert unknown_core(UNKNOWN) == "HarbourChips 9 3 1"


def test_a_real_search_is_pinned_and_finds_an_order_whose_kernel_is_right():
    search = OrderSearch(CORES[-1], 1)
    pid = search._process.pid
    if not ClockProbe().available:
        with pytest.raises(WorkloadError, match="not known to hold"):
            search.answer()
        return
    wait_until(lambda: os.sched_getaffinity(pid) == {CORES[-1]}, "never pinned")
    assert not search.done
    found = KeptOrder(core="", seed=1, begun_utc="", boot_id="", soakd_version="").model_copy(update=search.answer())
    assert search.done
    kept = KeptOrder.model_validate_json(found.model_dump_json())
    assert kept.trials > 0
    assert kept.cycles_per_step <= kept.shipped_cycles_per_step
    assert streams.build(CLASSES["scalar"], issue_order=kept.order).selfcheck() is None


def test_a_search_that_dies_or_does_not_end_is_an_error(monkeypatch):
    search = OrderSearch(CORES[0], 1)
    os.kill(search._process.pid, signal.SIGKILL)
    with pytest.raises(WorkloadError, match="ended with -9"):
        search.answer()
    monkeypatch.setattr(searching, "DEADLINE_S", 0.0)
    search = OrderSearch(CORES[0], 1)
    with pytest.raises(WorkloadError, match="did not end"):
        search.answer()
    assert search._process.returncode == -signal.SIGKILL


def test_a_core_that_may_not_be_used_is_named():
    with pytest.raises(WorkloadError, match="Invalid argument"):
        OrderSearch(max(CORES) + 1000, 1).answer()


def test_a_search_dies_with_the_process_that_asked_for_it():
    """It is held first, so that it cannot end by itself."""
    script = f"""
import time
from soakd.crew.searching import OrderSearch
search = OrderSearch({CORES[0]}, 1)
print(search._process.pid, flush=True)
time.sleep(60)
"""
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True) as starter:
        pid = int(starter.stdout.readline())
        wait_until(lambda: "llvmlite" in Path(f"/proc/{pid}/maps").read_text(), "it never began")
        os.kill(pid, signal.SIGSTOP)
        starter.kill()
    wait_until(lambda: not living([pid]), "it outlived its parent")
