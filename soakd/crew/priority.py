"""Scheduling: the guard outranks the load where the system permits, and says what it really got."""

from __future__ import annotations

import os

from soakd.crew.prctl import prctl

FIFO_PRIORITY = 10
_WORKER_OOM_SCORE = 500
_PR_SET_TIMERSLACK = 29


def outrank_load() -> str:
    """Put the calling thread under SCHED_FIFO; children start at normal priority. Returns what it has now, in words."""
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(FIFO_PRIORITY))
    except OSError as error:
        return f"normal priority (SCHED_FIFO refused: {error.strerror})"
    return f"SCHED_FIFO {FIFO_PRIORITY}"


def offer_to_oom_killer() -> None:
    """When memory runs out, the load goes first and never the guard. Raising one's own score needs no privilege."""
    score = os.open("/proc/self/oom_score_adj", os.O_WRONLY | os.O_CLOEXEC)  # pathlib costs a worker 0.9 MiB
    os.write(score, str(_WORKER_OOM_SCORE).encode())
    os.close(score)


def sleep_precisely() -> None:
    """Timers of the calling thread are not put off to be bundled with others (PR_SET_TIMERSLACK(2const)).

    Where the kernel has no such call, sleeps end up to 50 us later, and the spin after them is shorter.
    """
    prctl(_PR_SET_TIMERSLACK, 1)
