"""Kernels are measured in workers of their own; what goes wrong in one is told."""

import os
import signal
import time

import pytest

from soakd.crew.measuring import CopyProgram, Fork, measured
from soakd.errors import WorkloadError
from soakd.workloads import catalog
from soakd.workloads.classes import CLASSES
from soakd.workloads.clockprobe import probe_here
from soakd.workloads.integer import streams

CORES = sorted(os.sched_getaffinity(0))


@pytest.fixture(scope="module")
def probe():
    return probe_here()


def test_every_core_answers_for_itself_in_the_order_asked(probe):
    program = catalog.build("integer/streams", "scalar")
    told = measured(program, CORES, probe, rounds=3, memory_bytes=0)
    assert [each.core for each in told] == CORES
    for each in told:
        assert each.best_per_second >= each.median_per_second > 0
        assert 0 < each.check_share < 1
        assert each.faults == 0


def test_a_wrong_kernel_is_measured_with_its_wrong_results(probe):
    """The portable text, so that the spoilt line is there on every architecture."""
    text = streams.portable_text()
    broken = text.replace("%yt3_1_1 = add", "%yt3_1_1 = sub")
    assert broken != text
    program = streams.build(CLASSES["scalar"], text=broken)
    (told,) = measured(program, CORES[:1], probe, rounds=3, memory_bytes=0)
    assert told.faults > 0


def test_a_worker_that_fails_says_why():
    program = catalog.build("memory/march", "vector-128")
    with pytest.raises(WorkloadError, match=r"cannot take .* of memory"):
        measured(program, CORES[:1], None, rounds=3, memory_bytes=1 << 60)


@pytest.mark.parametrize(
    ("work", "told"),
    [
        (lambda: 1 / 0, "a kernel could not be measured: ZeroDivisionError: division by zero"),
        (lambda: os.kill(os.getpid(), signal.SIGKILL), "a kernel could not be measured: its process gave no answer"),
        (lambda: time.sleep(60), "a kernel could not be measured: its process gave no answer"),
    ],
)
def test_a_fork_that_fails_dies_or_hangs_is_an_error_and_no_hang(work, told):
    with pytest.raises(WorkloadError) as caught:
        Fork(work).answer(0.5)
    assert caught.value.message == told


def test_no_probe_means_no_cycles():
    (told,) = measured(CopyProgram(), CORES[:1], None, rounds=3, memory_bytes=1 << 22)
    assert (told.per_cycle, told.clock_mhz) == (None, None)
    assert told.best_per_second > 0


def test_the_copy_moves_what_it_says():
    task = CopyProgram().task(memory_bytes=1 << 16, beat=lambda: None)
    done = task.round(0.01, lambda: None)
    assert done.operations % (2 * (1 << 15)) == 0
    assert (task._target == task._source).all()
