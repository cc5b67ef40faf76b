"""The crew on its own: slots, wire, workers that say what happened, and a kill that leaves nobody."""

import os
import queue
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from soakd.crew import wire
from soakd.crew.process import CrewProcess
from soakd.crew.slots import Slots, SlotTotals, WorkerState
from soakd.model.crew import CrewLost, CrewPrepared, CrewRefused, WorkerExited, WorkerReady, WorkerWrong
from soakd.model.pattern import Pattern
from soakd.model.plan import Stage
from soakd.workloads.classes import architecture
from soakd.workloads.integer import streams

CORES = sorted(os.sched_getaffinity(0))
STAGE = Stage(name="s", workload="integer/streams", duration=2.0)
DEADLINE_S = 30.0


class Hand:
    """Drives a crew as the engine does."""

    def __init__(self, flip=None):
        self.events = queue.SimpleQueue()
        self.crew = CrewProcess(len(CORES), self.events.put, flip=flip)

    def wait(self, kind):
        """The next event of a kind; whatever else comes first is an error unless it is an exit."""
        deadline = time.monotonic() + DEADLINE_S
        while True:
            event = self.events.get(timeout=deadline - time.monotonic())
            if isinstance(event, kind):
                return event
            assert isinstance(event, WorkerExited | WorkerReady | WorkerWrong), event

    def begin(self, *, drill=False, stage=STAGE, duration_s=1.0, issue_order=None):
        self.crew.prepare([(stage.workload, "scalar")], drill=drill, issue_order=issue_order)
        prepared = self.wait(CrewPrepared)
        self.crew.begin(stage, "scalar", CORES)
        for _ in CORES:
            self.wait(WorkerReady)
        self.crew.go(duration_s)
        return prepared


@pytest.fixture
def hand():
    made = Hand()
    yield made
    made.crew.close()


def test_a_stage_runs_to_its_end_and_every_worker_leaves_by_itself(hand):
    prepared = hand.begin()
    assert all(len(digest) == 64 for digest in prepared.digests.values())
    for _ in CORES:
        assert hand.wait(WorkerExited).code == 0
    for look in hand.crew.look().values():
        assert look.state == "done"
        assert look.totals.rounds >= 2
        assert look.totals.mismatches == 0
        assert 0.1 < look.totals.checked_s < 1.2, "processor time of a second's load, less what others took"
        assert 0.4 < look.totals.until_s <= 1.2, "the last round ended with the stage, give or take its own rest"


def private_kib(pid):
    """What no other process has (proc(5))."""
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii").splitlines()
    return sum(int(line.split()[1]) for line in lines if line.startswith(("Private_Clean:", "Private_Dirty:")))


def test_a_worker_shares_all_but_two_mebibytes_of_its_memory(hand):
    """More kernels, and more workers: tests/benchmarks/startup.py."""
    hand.begin(duration_s=DEADLINE_S)
    until_s = time.monotonic() + DEADLINE_S
    while min(look.totals.rounds for look in hand.crew.look().values()) < 1:
        assert time.monotonic() < until_s
        time.sleep(0.01)
    assert all(private_kib(pid) <= 2048 for pid in hand.crew.pids.values())


def test_an_issue_order_makes_another_kernel_which_computes_the_same(hand):
    hand.crew.prepare([("integer/streams", "scalar"), ("vector/lanes", "vector-128")], drill=False)
    shipped = hand.wait(CrewPrepared).digests
    natural = "".join(sorted(streams.ORDER))
    tuned = hand.begin(issue_order=natural).digests
    for _ in CORES:
        assert hand.wait(WorkerExited).code == 0
    for look in hand.crew.look().values():
        assert look.totals.rounds >= 2
        assert look.totals.mismatches == 0
    assert (tuned["integer/streams"] != shipped["integer/streams"]) == (architecture() == "x86-64")
    hand.crew.prepare([("vector/lanes", "vector-128")], drill=False, issue_order=natural)
    assert hand.wait(CrewPrepared).digests.items() <= shipped.items(), "a kernel that takes none stays what it was"


def test_each_worker_is_pinned_to_its_core_at_normal_priority_and_offered_to_the_oom_killer(hand):
    hand.begin(duration_s=5.0)
    pids = hand.crew.pids
    assert sorted(pids) == CORES
    for core, pid in pids.items():
        assert os.sched_getaffinity(pid) == {core}
        assert os.sched_getscheduler(pid) == os.SCHED_OTHER
        assert os.getpriority(os.PRIO_PROCESS, pid) == 0
        assert Path(f"/proc/{pid}/oom_score_adj").read_text().strip() == "500"


def test_kill_leaves_nobody(hand):
    hand.begin(duration_s=60.0)
    pids = [*hand.crew.pids.values(), hand.crew.pid]
    assert hand.crew.kill() == 0
    assert isinstance(hand.wait(CrewLost), CrewLost)
    assert not [pid for pid in pids if alive(pid)]


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSEGV, signal.SIGILL])
def test_a_worker_that_dies_is_told_with_its_signal(hand, number):
    hand.begin(duration_s=60.0)
    victim = CORES[-1]
    os.kill(hand.crew.pids[victim], number)
    gone = hand.wait(WorkerExited)
    assert (gone.core, gone.code) == (victim, -number)


def test_a_stopped_worker_has_no_beats_and_the_kernel_says_why(hand):
    hand.begin(duration_s=60.0)
    victim = CORES[0]
    time.sleep(0.2)
    os.kill(hand.crew.pids[victim], signal.SIGSTOP)
    time.sleep(0.2)
    before = hand.crew.look()[victim].beats
    time.sleep(0.3)
    assert hand.crew.look()[victim].beats == before
    assert hand.crew.process_state(victim) == "T"


def test_a_planted_flip_is_told_as_a_wrong_result_of_that_round():
    flip = wire.PlantedFlip(workload="integer/streams", core=CORES[0], round=2, bit=77)
    hand = Hand(flip)
    try:
        hand.begin(drill=True, duration_s=3.0)
        wrong = hand.wait(WorkerWrong)
        assert (wrong.core, wrong.round) == (CORES[0], 2)
        assert wrong.expected != wrong.actual
    finally:
        hand.crew.close()


def test_a_flip_is_refused_outside_a_drill():
    hand = Hand(wire.PlantedFlip(workload="integer/streams", core=CORES[0], round=1, bit=1))
    try:
        hand.crew.prepare([("integer/streams", "scalar")], drill=False)
        hand.wait(CrewPrepared)
        hand.crew.begin(STAGE, "scalar", CORES)
        assert "only in a drill" in hand.wait(CrewRefused).reason
        assert hand.crew.pids == {}
    finally:
        hand.crew.close()


def test_a_kernel_that_cannot_be_built_is_an_answer_and_not_a_crash(hand):
    hand.crew.prepare([("integer/streams", "vector-512")], drill=False)
    assert "vector-512" in hand.wait(CrewRefused).reason


def test_a_worker_that_cannot_get_what_it_needs_is_an_answer_and_not_a_hang(hand):
    """No memory at all for a memory worker."""
    hand.crew.prepare([("memory/march", "vector-128")], drill=False)
    hand.wait(CrewPrepared)
    hand.crew.begin(STAGE.model_copy(update={"workload": "memory/march"}), "vector-128", CORES)
    assert re.search(r"core \d+: .*too small", hand.wait(CrewRefused).reason)


def test_the_crew_dies_with_the_process_that_started_it():
    """The starter is killed with SIGKILL in the middle of a stage; no cleanup of its own can run."""
    script = f"""
import os, queue, time
from soakd.crew.process import CrewProcess
from soakd.model.plan import Stage
events = queue.SimpleQueue()
crew = CrewProcess({len(CORES)}, events.put)
crew.prepare([("integer/streams", "scalar")], drill=False)
events.get()
crew.begin(Stage(name="s", workload="integer/streams", duration=60.0), "scalar", {CORES})
for _ in {CORES}: events.get()
crew.go(60.0)
print(crew.pid, *crew.pids.values(), flush=True)
time.sleep(60)
"""
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True) as starter:
        pids = [int(word) for word in starter.stdout.readline().split()]
        assert len(pids) == 1 + len(CORES)
        starter.kill()
    deadline = time.monotonic() + DEADLINE_S
    while any(alive(pid) for pid in pids):
        assert time.monotonic() < deadline
        time.sleep(0.01)


def alive(pid):
    """Not gone, and not a zombie that only waits for its parent to look."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_a_reader_never_takes_half_of_an_update():
    slots = Slots.create(1)
    try:
        whole = SlotTotals(rounds=1, operations=10, checked_us=5)
        slots.write(0, whole)
        assert slots.totals(0) == whole
        slots._words[8 + 0] += 1  # a writer killed in the middle leaves the sequence odd
        slots._words[8 + 3] = 999
        assert slots.totals(0) == whole
    finally:
        slots.close()


def test_go_is_seen_by_every_mapping_of_the_slots():
    slots = Slots.create(2)
    other = Slots(os.dup(slots.descriptor), 2)
    try:
        assert other.start() is None
        slots.go(5, 10)
        assert other.start() == (5, 10)
        other.enter(1, WorkerState.WORKING)
        assert slots.state(1) is WorkerState.WORKING
        slots.clear()
        assert other.start() is None
        assert slots.state(1) is WorkerState.STARTING
    finally:
        other.close()
        slots.close()


@pytest.mark.parametrize(
    "order",
    [
        wire.PrepareOrder(programs=(("integer", "scalar"), ("vector", "vector-128")), drill=True),
        wire.PrepareOrder(programs=(("integer", "scalar"),), drill=False, issue_order="0011"),
        wire.StageOrder(workload="memory", instruction_class="vector-128", cores=(0, 3), memory_percent=12.5),
        wire.StageOrder(
            workload="integer", instruction_class="scalar", cores=(1,),
            pattern=Pattern(name="walking", dwell_ns=2_000_000_000),
            flip=wire.PlantedFlip(workload="integer", core=1, round=3, bit=9),
        ),
    ],
)  # fmt: skip
def test_orders_survive_the_wire(order):
    assert wire.decode_order(wire.encode_order(order)) == order


@pytest.mark.parametrize(
    "event",
    [
        CrewPrepared(digests={"a": "b"}),
        CrewRefused(reason="why — with ümlauts"),
        WorkerReady(core=1, pid=2, note=""),
        WorkerWrong(core=1, round=2, where="lane 3", expected=2**64 - 1, actual=0),
        WorkerExited(core=0, pid=9, code=-11),
    ],
)
def test_events_survive_the_wire(event):
    assert wire.decode_event(wire.encode_event(event)) == event


def test_a_full_pipe_never_stalls_a_worker():
    read_end, write_end = os.pipe()
    os.set_blocking(write_end, False)
    event = WorkerWrong(core=0, round=1, where="x" * 500, expected=1, actual=2)
    sent = 0
    while wire.send(write_end, event):
        sent += 1
        assert sent < 10_000
    os.close(write_end)
    with os.fdopen(read_end, "rb") as lines:
        assert [wire.decode_event(line) for line in lines] == [event] * sent
