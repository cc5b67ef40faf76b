"""One worker: pinned to one logical core, it works in rounds until the guard's end, and tells what went wrong.

Runs in a process forked from the crew's parent, which has built the kernels already. Returns never.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.crew import wire
from soakd.crew.gate import SHORTEST_ROUND_S, PatternGate
from soakd.crew.kinship import die_with_parent
from soakd.crew.priority import offer_to_oom_killer, sleep_precisely
from soakd.crew.slots import Slots, SlotTotals, WorkerState
from soakd.model.crew import CrewRefused, WorkerReady, WorkerWrong
from soakd.model.pace import ROUND_S
from soakd.model.pattern import cycle_of
from soakd.workloads.base import Flip

if TYPE_CHECKING:
    from typing import NoReturn

    from soakd.workloads.base import Program, Round, Task
    from soakd.workloads.clockprobe import ClockProbe
    from soakd.workloads.spin import Spin

EXIT_REFUSED = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Post:
    """Where a worker stands: its slot, its core, its part in the load pattern, and its ways to speak."""

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
    """The life of one worker in one stage; made before the fork, because what is done there is not done by each."""

    def __init__(self, post: Post, program: Program, probe: ClockProbe | None, spin: Spin) -> None:
        self._post = post
        self._program = program
        self._probe = probe
        self._spin = spin
        self._cycle = cycle_of(post.order.pattern, post.index, len(post.order.cores))
        self._totals = SlotTotals()

    def live(self) -> NoReturn:
        """From just after the fork to the exit."""
        code = EXIT_REFUSED
        try:
            die_with_parent(self._post.parent_pid)
            os.sched_setaffinity(0, {self._post.core})
            offer_to_oom_killer()
            sleep_precisely()
            task = self._program.task(memory_bytes=self._post.memory_bytes, beat=self._beat, seat=self._post.index)
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
        gate = PatternGate(self._cycle, start_ns, end_ns, spin=self._spin, beat=self._beat, enter=self._enter)
        self._enter(WorkerState.WORKING)
        while (room_s := gate.room_s()) >= SHORTEST_ROUND_S:
            self._round(task, min(ROUND_S, room_s), gate)
        gate.rest_out()
        self._enter(WorkerState.DONE)

    def _wait_for_go(self) -> tuple[int, int]:
        while (start := self._post.slots.start()) is None or time.monotonic_ns() < start[0]:
            self._beat()
            time.sleep(0.001)
        return start

    def _round(self, task: Task, target_s: float, gate: PatternGate) -> None:
        number = self._totals.rounds + 1
        gate.begin_round()
        before = gate.spent()
        done = task.round(target_s, self._beat, self._planted(number), gate)
        if not (done.operations or done.fault_count):
            return  # a joint round that the others did not come to
        until_us = gate.moment_us()
        clock_khz = round(self._probe.mhz() * 1000) if self._probe else 0
        checked_us, core_us = gate.spent().since(before)
        self._count(done, checked_us, core_us, until_us, clock_khz)
        for fault in done.faults:
            wrong = WorkerWrong(
                core=self._post.core, round=number, where=fault.where, expected=fault.expected, actual=fault.actual
            )
            wire.send(self._post.events, wrong)

    def _count(self, done: Round, checked_us: int, core_us: int, until_us: int, clock_khz: int) -> None:
        """`checked_us`: the round's time without what other work here took; `core_us`: what the core really gave."""
        was = self._totals
        self._totals = SlotTotals(
            rounds=was.rounds + 1,
            operations=was.operations + done.operations,
            mismatches=was.mismatches + done.fault_count,
            sweeps=was.sweeps + done.sweeps,
            work_us=was.work_us + round(done.work_s * 1e6),
            check_us=was.check_us + round(done.check_s * 1e6),
            checked_us=was.checked_us + checked_us,
            core_us=was.core_us + core_us,
            until_us=until_us,
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
