"""Workers begin and end together or not at all: nobody is left behind, nobody waits without a beat."""

import os
import signal
import threading
import time
from itertools import pairwise

import pytest

from soakd.errors import WorkloadError
from soakd.workloads.classes import CLASSES
from soakd.workloads.exchange import counters, meeting
from soakd.workloads.exchange.area import Area
from soakd.workloads.exchange.meeting import Meeting, words_needed


@pytest.fixture
def program():
    return counters.build(CLASSES["scalar"])


@pytest.fixture
def area(program):
    return Area(program._kernels, 512)


def no_beat():
    """Nobody watches."""


def test_the_atomic_operations_do_what_they_are_called(area):
    area.store(3, 2**64 - 1)
    assert area.load(3) == area[3] == 2**64 - 1
    assert area.add(3, 5) == 2**64 - 1
    assert area.load(3) == 4
    area.xor(3, 0b101)
    assert area.load(3) == 1
    assert area.retract(3, 2) is False
    assert area.load(3) == 1
    assert area.retract(3, 1) is True
    assert area.take(2, 3) == [0, 0, 0]


def test_a_worker_whom_nobody_joins_gives_up_in_time_and_takes_its_arrival_back(program, together):
    program.gather(2)
    task, beats = program.task(memory_bytes=0, beat=no_beat, seat=0), []
    began = time.monotonic()
    done = task.round(0.1, lambda: beats.append(1))
    assert (done.operations, done.fault_count, done.work_s) == (0, 0, 0.0)
    assert 0.1 <= time.monotonic() - began < 1.0
    assert len(beats) > 10
    assert task.round(0.01, no_beat).operations == 0, "and again, as often as it likes"
    assert program._area.load(program._meeting._base) == 0, "nobody is counted as there"


def test_a_round_opens_only_with_all_and_once(area):
    """Three come, one leaves and comes again; the seed is drawn once and all see the same."""
    place, drawn, openings = Meeting(area, 0, 3, 1), [], []

    def come(wait_s):
        # Each thread as a process has it: a mapping's own call buffer.
        own = Area.__new__(Area)
        own.__dict__.update(area.__dict__, _call=type(area._call)())
        meet = Meeting(own, 0, 3, 1)
        while (opening := meet.arrive(wait_s, no_beat, drawn.append)) is None:
            pass
        meet.publish(len(openings), [opening.seed % 1000])
        openings.append(opening)
        meet.finish(no_beat)

    threads = [threading.Thread(target=come, args=(wait_s,)) for wait_s in (0.01, 0.2, 0.3)]
    for thread in threads:
        thread.start()
        time.sleep(0.05)
    for thread in threads:
        thread.join(10)
    assert len(drawn) == 1
    assert {opening.seed for opening in openings} == set(drawn)
    assert len({opening.end_ns for opening in openings}) == 1
    assert place.records() == [[drawn[0] % 1000]] * 3


def test_a_worker_that_dies_in_a_round_leaves_the_others_beating_and_then_giving_up(program, monkeypatch):
    monkeypatch.setattr(meeting, "PATIENCE_S", 0.3)
    program.gather(2)
    pid = os.fork()
    if pid == 0:
        program.task(memory_bytes=0, beat=no_beat, seat=1).round(0.2, lambda: os._exit(0))
        os._exit(1)
    beats = []
    task = program.task(memory_bytes=0, beat=no_beat, seat=0)
    with pytest.raises(WorkloadError, match="not heard of"):
        [task.round(0.2, lambda: beats.append(time.monotonic())) for _ in range(100)]
    os.waitpid(pid, 0)
    assert max(b - a for a, b in pairwise(beats)) < 0.3


def test_a_worker_that_is_kept_off_its_core_in_a_round_spoils_nothing(program):
    program.gather(2)
    pid = os.fork()
    if pid == 0:
        task = program.task(memory_bytes=0, beat=no_beat, seat=1)
        faults = [task.round(0.2, no_beat).fault_count for _ in range(3)]
        os._exit(0 if faults == [0, 0, 0] else 1)
    task = program.task(memory_bytes=0, beat=no_beat, seat=0)
    first = task.round(0.2, no_beat)
    stopper = threading.Timer(0.05, os.kill, (pid, signal.SIGSTOP))
    starter = threading.Timer(0.6, os.kill, (pid, signal.SIGCONT))
    stopper.start()
    starter.start()
    began = time.monotonic()
    second = task.round(0.2, no_beat)
    assert time.monotonic() - began > 0.4, "it waited for the stopped one to come to the end"
    stopper.join()
    starter.join()
    third = task.round(0.2, no_beat)
    assert [done.fault_count for done in (first, second, third)] == [0, 0, 0]
    assert second.work_s < 0.4, "waiting is no work"
    assert os.waitpid(pid, 0)[1] == 0


def test_the_next_gathering_begins_anew(program, together):
    together(program, 2, rounds=1)
    told = together(program, 3, rounds=1)
    assert all(done.operations for rounds, _, _ in told for done in rounds)


def test_a_meeting_takes_whole_lines():
    assert words_needed(1, 0) == 40
    assert words_needed(3, 1) == 40 + 24
    assert words_needed(2, 16) == 40 + 32
