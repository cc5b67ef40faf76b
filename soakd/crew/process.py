"""The guard's end of the crew: starts it, listens to it, reads its slots, and can take it away in milliseconds."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from soakd.crew import wire
from soakd.crew.slots import Slots, WorkerState
from soakd.model.crew import CrewEvent, CrewLost, WorkerReady
from soakd.model.journal import WorkerTotals
from soakd.rules.expected import pattern_of, stage_cores

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from soakd.model.plan import Stage
    from soakd.model.plug import Plug

GONE_DEADLINE_S = 3.0
_STATES = {state: state.name.lower() for state in WorkerState}


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One worker at one moment."""

    state: str
    beats: int
    clock_mhz: float
    totals: WorkerTotals


class CrewProcess:
    """Make it in the main thread: the crew dies with the thread that started it."""

    def __init__(
        self,
        most_workers: int,
        emit: Callable[[CrewEvent], None],
        *,
        flip: wire.PlantedFlip | None = None,
        plugs: Sequence[Plug] = (),
        on_thread_start: Callable[[], object] = lambda: None,
    ) -> None:
        """`flip`: a drill's deliberate fault; the crew refuses it in any other run. `plugs`: plugins with workloads.

        `on_thread_start`: priority.
        """
        self._emit = emit
        self._on_thread_start = on_thread_start
        self._deserted = threading.Event()
        self._flip = flip
        self._plugs = tuple(plugs)
        self._slots = Slots.create(most_workers)
        self._cores: tuple[int, ...] = ()
        self._pidfds: dict[int, int] = {}
        self._pids: dict[int, int] = {}
        self._notes: dict[int, str] = {}
        orders_read, self._orders = os.pipe()
        events_read, events_write = os.pipe()
        handed = (orders_read, events_write, self._slots.descriptor)
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            [
                sys.executable, "-P", "-m", "soakd.crew.child",
                str(os.getpid()), str(orders_read), str(events_write), str(self._slots.descriptor), str(most_workers),
            ],
            pass_fds=handed,
            stdin=subprocess.DEVNULL,
            start_new_session=True,
        )  # fmt: skip
        self._parent = os.pidfd_open(self._process.pid)
        os.close(orders_read)
        os.close(events_write)
        self._listener = threading.Thread(target=self._listen, args=(events_read,), name="crew-events", daemon=True)
        self._listener.start()

    @property
    def pid(self) -> int:
        return self._process.pid

    @property
    def pids(self) -> dict[int, int]:
        """Logical core to process, for the workers that are ready."""
        return dict(self._pids)

    def prepare(self, programs: Sequence[tuple[str, str]], *, drill: bool, issue_order: str | None = None) -> None:
        order = wire.PrepareOrder(programs=tuple(programs), drill=drill, issue_order=issue_order, plugs=self._plugs)
        os.write(self._orders, wire.encode_order(order))

    def begin(self, stage: Stage, instruction_class: str, bench_cores: Sequence[int]) -> tuple[int, ...]:
        """Fork the stage's workers; each will answer WorkerReady."""
        self._forget()
        self._slots.clear()
        self._cores = stage_cores(stage, bench_cores)
        order = wire.StageOrder(
            workload=stage.kernel,
            instruction_class=instruction_class,
            cores=self._cores,
            pattern=pattern_of(stage),
            memory_percent=stage.memory_percent,
            flip=self._flip if self._flip and self._flip.workload == stage.kernel else None,
        )
        os.write(self._orders, wire.encode_order(order))
        return self._cores

    def go(self, duration_s: float) -> None:
        start_ns = time.monotonic_ns()
        self._slots.go(start_ns, start_ns + round(duration_s * 1e9))

    def look(self) -> dict[int, Look]:
        return {core: self._look(index, core) for index, core in enumerate(self._cores)}

    def process_state(self, core: int) -> str | None:
        """The kernel's letter for the worker's state, as proc(5) has it; None when the process is gone."""
        pid = self._pids.get(core)
        try:
            return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0]
        except (OSError, IndexError):
            return None

    def kill(self) -> int:
        """Kill the whole group, parent and workers at once, and watch them go; returns how many were not seen gone.

        Every one of them holds the events pipe, so its end proves that also those are gone which were not ready yet.
        """
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        deadline_s = time.perf_counter() + GONE_DEADLINE_S
        watch = select.poll()
        waiting = {self._parent, *self._pidfds.values()}
        for descriptor in waiting:
            watch.register(descriptor, select.POLLIN)
        while waiting and (left_s := deadline_s - time.perf_counter()) > 0:
            for descriptor, _ in watch.poll(left_s * 1000):
                watch.unregister(descriptor)
                waiting.discard(descriptor)
        deserted = self._deserted.wait(max(0.0, deadline_s - time.perf_counter()))
        return len(waiting) if deserted else max(1, len(waiting))

    def close(self) -> None:
        """End the crew and give everything back."""
        self.kill()
        os.close(self._orders)
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(GONE_DEADLINE_S)
        self._listener.join(GONE_DEADLINE_S)
        self._forget()
        os.close(self._parent)
        self._slots.close()

    def _look(self, index: int, core: int) -> Look:
        totals = self._slots.totals(index)
        return Look(
            state=_STATES[self._slots.state(index)],
            beats=self._slots.beats(index),
            clock_mhz=totals.clock_khz / 1000.0,
            totals=WorkerTotals(
                core=core,
                rounds=totals.rounds,
                operations=totals.operations,
                mismatches=totals.mismatches,
                sweeps=totals.sweeps,
                work_s=totals.work_us / 1e6,
                check_s=totals.check_us / 1e6,
                checked_s=totals.checked_us / 1e6,
                core_s=totals.core_us / 1e6,
                until_s=totals.until_us / 1e6,
                note=self._notes.get(core, ""),
            ),
        )

    def _forget(self) -> None:
        for descriptor in self._pidfds.values():
            os.close(descriptor)
        self._pidfds.clear()
        self._pids.clear()
        self._notes.clear()

    def _listen(self, events: int) -> None:
        """In its own thread: every line becomes an event, the end of the pipe means that the crew is gone.

        Whatever goes wrong here must not leave the guard deaf: it ends as the loss of the crew.
        """
        self._on_thread_start()
        try:
            with os.fdopen(events, "rb") as lines:
                for line in lines:
                    event = wire.decode_event(line)
                    if isinstance(event, WorkerReady):
                        self._adopt(event)
                    self._emit(event)
            self._deserted.set()
        finally:
            self._emit(CrewLost())

    def _adopt(self, ready: WorkerReady) -> None:
        self._pids[ready.core] = ready.pid
        self._notes[ready.core] = ready.note
        with contextlib.suppress(ProcessLookupError):  # already gone: its exit is on the way
            self._pidfds[ready.core] = os.pidfd_open(ready.pid)
