"""Workers as the crew has them: forked from one parent that gathered them, pinned, meeting in shared memory."""

import os
import pickle
import time
from itertools import pairwise

import pytest

CORES = sorted(os.sched_getaffinity(0))
DEADLINE_S = 30.0


def _live(program, seat, rounds, target_s, flips, pipe):
    code = 1
    try:
        os.sched_setaffinity(0, {CORES[seat % len(CORES)]})
        beats = [time.monotonic()]
        task = program.task(memory_bytes=0, beat=lambda: None, seat=seat)
        done = [task.round(target_s, lambda: beats.append(time.monotonic()), flips.get(n)) for n in range(rounds)]
        gap_s = max(b - a for a, b in pairwise(beats))
        with os.fdopen(pipe, "wb") as out:
            pickle.dump((done, gap_s, list(task.seat.block)), out)
        code = 0
    finally:
        os._exit(code)


@pytest.fixture
def together():
    """Fork so many workers and return, seat by seat, the rounds, the longest time between beats, and the last block."""

    def play(program, workers, *, rounds=3, target_s=0.06, flips=None):
        program.gather(workers)
        pipes, pids = [], []
        for seat in range(workers):
            read_end, write_end = os.pipe()
            pid = os.fork()
            if pid == 0:
                _live(program, seat, rounds, target_s, flips or {} if seat == workers - 1 else {}, write_end)
            os.close(write_end)
            pipes.append(read_end)
            pids.append(pid)
        told = []
        for read_end in pipes:
            with os.fdopen(read_end, "rb") as lines:
                told.append(pickle.load(lines))
        assert [os.waitpid(pid, 0)[1] for pid in pids] == [0] * workers
        return told

    return play
