"""One worker: pinned to one logical core, it works in rounds until the guard's end, and tells what went wrong.

Runs in a process forked from the crew's parent, which has built the kernels already. Returns never.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from soakd.crew import wire
from soakd.crew.kinship import die_with_parent
from soakd.crew.priority import offer_to_oom_killer
from soakd.crew.slots import Slots, SlotTotals, WorkerState
from soakd.model.crew import CrewRefused, WorkerReady, WorkerWrong
from soakd.model.pace import ROUND_S
from soakd.workloads.base import Flip

if TYPE_CHECKING:
    from typing import NoReturn

    from soakd.workloads.base import Program, Round, Task
    from soakd.workloads.clockprobe import ClockProbe

SHORTEST_ROUND_S = 0.03
_NAP_S = 0.02
EXIT_REFUSED = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Post:
    """Where a worker stands: its slot, its core, its turn in a walking stage, and its ways to speak."""

    index: int
    order: wire.StageOrder
    memory_bytes: int
    slots: Slots
    events: int
    parent_pid: int

    @property
    def core(self) -> int:
        return self.order.cores[self.index]


class Worker:
    """The life of one worker in one stage."""

    def __init__(self, post: Post, program: Program, probe: ClockProbe | None) -> None:
        self._post = post
        self._program = program
        self._probe = probe
        self._totals = SlotTotals()

    def live(self) -> NoReturn:
        """From just after the fork to the exit."""
        code = EXIT_REFUSED
        try:
            die_with_parent(self._post.parent_pid)
            os.sched_setaffinity(0, {self._post.core})
            offer_to_oom_killer()
            task = self._program.task(memory_bytes=self._post.memory_bytes, beat=self._beat)
            self._work(task)
            code = 0
        except Exception as error:  # noqa: BLE001 - whatever it was, the guard must hear of it and the process must end
            text = f"the worker on core {self._post.core}: {type(error).__name__}: {error}"
            wire.send(self._post.events, CrewRefused(reason=wire.cut(text)))
        finally:
            os._exit(code)

    def _work(self, task: Task) -> None:
        post = self._post
        self._enter(WorkerState.READY)
        wire.send(post.events, WorkerReady(core=post.core, pid=os.getpid(), note=task.note))
        start_ns, end_ns = self._wait_for_go()
        while (now_ns := time.monotonic_ns()) < end_ns:
            turn_end_ns = self._turn_end(now_ns, start_ns, end_ns)
            if turn_end_ns is None:
                self._enter(WorkerState.RESTING)
                time.sleep(_NAP_S)
            elif (left_s := (turn_end_ns - now_ns) / 1e9) < SHORTEST_ROUND_S:
                self._beat()
                time.sleep(left_s)
            else:
                self._enter(WorkerState.WORKING)
                self._round(task, min(ROUND_S, left_s), now_ns)
        self._enter(WorkerState.DONE)

    def _wait_for_go(self) -> tuple[int, int]:
        while (start := self._post.slots.start()) is None or time.monotonic_ns() < start[0]:
            self._beat()
            time.sleep(0.001)
        return start

    def _turn_end(self, now_ns: int, start_ns: int, end_ns: int) -> int | None:
        """When this core's turn ends; None while it is another's."""
        dwell_s = self._post.order.dwell_s
        if dwell_s is None:
            return end_ns
        dwell_ns = round(dwell_s * 1e9)
        turn = (now_ns - start_ns) // dwell_ns
        if turn % len(self._post.order.cores) != self._post.index:
            return None
        return min(end_ns, start_ns + (turn + 1) * dwell_ns)

    def _round(self, task: Task, target_s: float, began_ns: int) -> None:
        number = self._totals.rounds + 1
        used_ns, waited_ns = time.thread_time_ns(), waited_for_core_ns()
        done = task.round(target_s, self._beat, self._planted(number))
        clock_khz = round(self._probe.mhz() * 1000) if self._probe else 0
        wall_ns, used_ns = time.monotonic_ns() - began_ns, time.thread_time_ns() - used_ns
        checked_ns = max(0, wall_ns - (waited_for_core_ns() - waited_ns))
        self._count(done, clock_khz, checked_ns // 1000, min(wall_ns, used_ns) // 1000)
        for fault in done.faults:
            wrong = WorkerWrong(
                core=self._post.core, round=number, where=fault.where, expected=fault.expected, actual=fault.actual
            )
            wire.send(self._post.events, wrong)

    def _count(self, done: Round, clock_khz: int, checked_us: int, core_us: int) -> None:
        """`checked_us`: the round's time without what other work here took; `core_us`: what the core really gave."""
        was = self._totals
        self._totals = replace(
            was,
            rounds=was.rounds + 1,
            operations=was.operations + done.operations,
            mismatches=was.mismatches + done.fault_count,
            sweeps=was.sweeps + done.sweeps,
            work_us=was.work_us + round(done.work_s * 1e6),
            check_us=was.check_us + round(done.check_s * 1e6),
            checked_us=was.checked_us + checked_us,
            core_us=was.core_us + core_us,
            clock_khz=clock_khz,
        )
        self._post.slots.write(self._post.index, self._totals)
        self._beat()

    def _planted(self, number: int) -> Flip | None:
        flip = self._post.order.flip
        return Flip(bit=flip.bit) if flip and (flip.core, flip.round) == (self._post.core, number) else None

    def _beat(self) -> None:
        self._post.slots.beat(self._post.index)

    def _enter(self, state: WorkerState) -> None:
        self._post.slots.enter(self._post.index, state)


def waited_for_core_ns() -> int:
    """How long this process has been ready and another one ran instead; 0 where the kernel does not count it.

    Second field of /proc/PID/schedstat (Documentation/scheduler/sched-stats.rst).
    """
    try:
        with open("/proc/self/schedstat", encoding="ascii") as counts:  # noqa: PTH123 - called twice a round
            return int(counts.read().split()[1])
    except (OSError, IndexError, ValueError):
        return 0
