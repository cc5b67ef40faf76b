"""A whole stage of the crew's real workers: rounds that begin and end together, to the stage's end and not beyond."""

import os
import time

import pytest

from soakd.crew import wire
from soakd.crew.slots import Slots, WorkerState
from soakd.crew.worker import Post, Worker
from soakd.model.crew import WorkerReady, WorkerWrong
from soakd.model.pattern import Pattern
from soakd.workloads.classes import CLASSES
from soakd.workloads.exchange import counters, ring, sharing, swap
from soakd.workloads.spin import Spin

CORES = tuple(sorted(os.sched_getaffinity(0)))[:2]
STAGE_S = 1.2


def stage(program, *, flip=None, pattern=None):
    """Fork two workers as the crew's parent does; returns their slots' last words, states, and what they told."""
    slots = Slots.create(len(CORES))
    read_end, write_end = os.pipe()
    spin, me, pids = Spin(), os.getpid(), []
    order = wire.StageOrder(
        workload="exchange", instruction_class="scalar", cores=CORES, flip=flip, pattern=pattern or Pattern()
    )
    program.gather(len(CORES))
    for index in range(len(CORES)):
        post = Post(index=index, order=order, memory_bytes=0, slots=slots, events=write_end, parent_pid=me)
        pid = os.fork()
        if pid == 0:
            Worker(post, program, None, spin).live()
        pids.append(pid)
    os.close(write_end)
    start_ns = time.monotonic_ns() + 50_000_000
    slots.go(start_ns, start_ns + round(STAGE_S * 1e9))
    assert [os.waitpid(pid, 0)[1] for pid in pids] == [0] * len(pids)
    late_s = (time.monotonic_ns() - start_ns) / 1e9 - STAGE_S
    totals = [slots.totals(index) for index in range(len(CORES))]
    states = [slots.state(index) for index in range(len(CORES))]
    slots.close()
    with os.fdopen(read_end, "rb") as lines:
        events = [wire.decode_event(line) for line in lines]
    return totals, states, events, late_s


@pytest.mark.parametrize("module", [counters, swap, ring, sharing])
def test_a_stage_ends_in_time_with_as_many_clean_rounds_on_every_core(module):
    totals, states, events, late_s = stage(module.build(CLASSES["scalar"]))
    assert states == [WorkerState.DONE] * len(CORES)
    assert {type(event) for event in events} == {WorkerReady}
    assert totals[0].rounds == totals[-1].rounds >= 2
    for worker in totals:
        assert worker.mismatches == 0
        assert worker.operations > 0
        assert worker.work_us < STAGE_S * 1.1e6
    assert late_s < 1.0


def test_a_pulsed_stage_exchanges_in_its_pulses():
    pattern = Pattern(name="pulsed", period_ns=20_000_000, on_ns=10_000_000)
    totals, _, events, late_s = stage(counters.build(CLASSES["scalar"]), pattern=pattern)
    assert {type(event) for event in events} == {WorkerReady}
    assert totals[0].rounds == totals[-1].rounds >= 1
    assert late_s < 1.0


def test_a_drill_in_a_stage_is_told_for_its_round_with_its_place():
    flip = wire.PlantedFlip(workload="exchange", core=CORES[0], round=2, bit=70)
    totals, _, events, _ = stage(counters.build(CLASSES["scalar"]), flip=flip)
    (wrong,) = [event for event in events if isinstance(event, WorkerWrong)]
    assert (wrong.round, wrong.where) == (2, "counter 1 of 16")
    assert wrong.expected != wrong.actual
    assert sum(worker.mismatches for worker in totals) == 1
