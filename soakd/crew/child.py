"""The crew's parent process: builds the kernels once, then forks one pinned worker per core for each stage.

Started as `python -m soakd.crew.child PARENT ORDERS EVENTS SLOTS WORKERS`, in a session of its own, by the guard's
process. It loads neither psutil nor a database nor a command line, so that a forked worker stays small. A plain fork
from a small process is chosen over multiprocessing's fork server, whose children outlive a killed parent.
"""

from __future__ import annotations

import os
import platform
import select
import signal
import sys
from typing import TYPE_CHECKING

from soakd.crew import wire
from soakd.crew.capacity import CACHES, available_memory_bytes, last_level_cache_bytes
from soakd.crew.forking import fork, settle
from soakd.crew.kinship import die_with_parent
from soakd.crew.slots import Slots
from soakd.crew.worker import Post, Worker
from soakd.errors import SoakdError, WorkloadError
from soakd.model.crew import CrewPrepared, CrewRefused, WorkerExited
from soakd.workloads import catalog
from soakd.workloads.clockprobe import probe_here
from soakd.workloads.spin import Spin

if TYPE_CHECKING:
    from soakd.workloads.base import Program
    from soakd.workloads.clockprobe import ClockProbe

_KEEP_FREE_BYTES = 256 * 2**20


class CrewParent:
    """Takes orders from one pipe, answers into another, and reaps what it forked."""

    def __init__(self, events: int, slots: Slots) -> None:
        self._events = events
        self._slots = slots
        self._programs: dict[tuple[str, str], Program] = {}
        self._probe: ClockProbe | None = None
        self._spin: Spin | None = None
        self._drill = False
        self._plugged = False
        """Whether there is code in this process that may have started threads or draw from a generator of Python's."""
        self._cores: dict[int, int] = {}

    def obey(self, line: bytes) -> None:
        """One order; a kernel that cannot be built or computes wrongly is an answer, not a crash."""
        order = wire.decode_order(line)
        try:
            if isinstance(order, wire.PrepareOrder):
                self._prepare(order)
            else:
                self._stage(order)
        except (SoakdError, OSError) as error:
            hint = f"; {error.hint}" if isinstance(error, SoakdError) and error.hint else ""
            wire.send_surely(self._events, CrewRefused(reason=f"{error}{hint}"))

    def reap(self) -> None:
        """Tell of every worker that has ended."""
        while self._cores:
            pid, status = os.waitpid(-1, os.WNOHANG)
            if pid == 0:
                return
            code = os.waitstatus_to_exitcode(status)
            wire.send_surely(self._events, WorkerExited(core=self._cores.pop(pid), pid=pid, code=code))

    def _prepare(self, order: wire.PrepareOrder) -> None:
        self._drill, self._plugged = order.drill, bool(order.plugs)
        digests: dict[str, str] = {}
        # Plugins last: a library that a kernel of ours wants in a certain state must not be loaded before it.
        for workload, instruction_class in sorted(order.programs, key=lambda each: each[0].startswith("plugin/")):
            program = _built(workload, instruction_class, order)
            try:
                program.selfcheck()
            except WorkloadError as error:
                wire.send_surely(self._events, CrewRefused(reason=f"{error}; {error.hint}", wrong=True))
                return
            self._programs[workload, instruction_class] = program
            digests |= program.digests
        self._probe, self._spin = probe_here(), Spin()
        settle()
        wire.send_surely(self._events, CrewPrepared(digests=digests))

    def _stage(self, order: wire.StageOrder) -> None:
        if order.flip and not self._drill:
            wire.send_surely(self._events, CrewRefused(reason="a fault may be planted only in a drill"))
            return
        program = self._programs[order.workload, order.instruction_class]
        share = _share_bytes(order, least_bytes=0 if self._drill else CACHES * last_level_cache_bytes())
        program.gather(len(order.cores))
        spin, me = self._spin or Spin(), os.getpid()
        for index, core in enumerate(order.cores):
            post = Post(
                index=index, order=order, memory_bytes=share, slots=self._slots, events=self._events, parent_pid=me
            )
            worker = Worker(post, program, self._probe, spin)
            pid = os.fork() if self._plugged else fork()
            if pid == 0:
                signal.set_wakeup_fd(-1)
                worker.live()
            self._cores[pid] = core


def _built(workload: str, instruction_class: str, order: wire.PrepareOrder) -> Program:
    plug = next((plug for plug in order.plugs if plug.label == workload), None)
    if plug is None:
        return catalog.build(workload, instruction_class, issue_order=order.issue_order)
    from soakd.crew.plugged import PluginProgram  # noqa: PLC0415 - most crews have none

    return PluginProgram(plug, instruction_class)


def _share_bytes(order: wire.StageOrder, *, least_bytes: int) -> int:
    """One worker's part of the stage's share of the memory that is available now; something is always left free.

    `least_bytes`: what the caches could not answer for. Raises WorkloadError for less.
    """
    if order.memory_percent is None:
        return 0
    available = available_memory_bytes()
    share = min(available * order.memory_percent / 100.0, available - _KEEP_FREE_BYTES)
    if share < least_bytes:
        raise WorkloadError(
            f"a share of {share / 2**20:.0f} MiB is less than {CACHES} times the last-level cache "
            f"({least_bytes / CACHES / 2**20:.0f} MiB): it would test the cache and not the memory",
            hint="give the memory stage a larger share",
        )
    return max(0, int(share) // len(order.cores))


def main() -> None:
    parent, orders, events, slots, workers = (int(argument) for argument in sys.argv[1:6])
    die_with_parent(parent)
    if platform.system() != "Linux":
        raise SystemExit(2)
    os.set_blocking(events, False)
    os.set_blocking(orders, False)
    crew = CrewParent(events, Slots(slots, workers))
    wake_read, wake_write = os.pipe()
    os.set_blocking(wake_write, False)
    os.set_blocking(wake_read, False)
    signal.set_wakeup_fd(wake_write)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    serve(crew, orders, wake_read)


def serve(crew: CrewParent, orders: int, wake: int) -> None:
    """Wait for orders and for children, until the guard closes its end."""
    pending = b""
    while True:
        ready, _, _ = select.select([orders, wake], [], [])
        if wake in ready:
            os.read(wake, 4096)
            crew.reap()
        if orders in ready:
            chunk = os.read(orders, 65_536)
            if not chunk:
                return
            *lines, pending = (pending + chunk).split(b"\n")
            for line in lines:
                crew.obey(line)


if __name__ == "__main__":
    main()
