"""Mixed workload: different kinds on different cores at once, each core with every kind in turn.

Integers, vectors and memory move on by one core at every turn of one clock that all workers read. While one core's
vectors pull the supply down its neighbour runs integers at another current, and a third waits for memory. Each kind's
first kernel is run as it is alone, with its own proof.
"""

from __future__ import annotations

from dataclasses import replace
from time import perf_counter
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from soakd.workloads.base import OPEN
from soakd.workloads.classes import CLASSES
from soakd.workloads.integer import streams
from soakd.workloads.memory import marching
from soakd.workloads.memory.pieces import WORD_BYTES
from soakd.workloads.vector import lanes

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from soakd.workloads.base import Beat, Flip, Gate, Program, Round, Task
    from soakd.workloads.classes import InstructionClass

TURN_S: Final = 2.0
"""How long a core stays with one kind: several rounds."""


class ApartTask:
    """One worker's three tasks."""

    def __init__(
        self, chains: tuple[Task, ...], memory: Task, seat: int, clock: Callable[[], float] = perf_counter
    ) -> None:
        """`clock`: seconds, the same for all workers."""
        self._memory = memory
        self._tasks = (*chains, memory)
        self._seat = seat
        self._clock = clock
        self.note = memory.note

    def round(self, target_s: float, beat: Beat, flip: Flip | None = None, gate: Gate = OPEN) -> Round:
        """One round of the kind whose turn it is when it begins."""
        task = self._tasks[(self._seat + int(self._clock() / TURN_S)) % len(self._tasks)]
        done = task.round(target_s, beat, flip, gate)
        return replace(done, operations=done.operations // WORD_BYTES) if task is self._memory else done


class ApartProgram:
    """The three kinds' programs."""

    def __init__(self, chains: tuple[Program, ...], memory: Program) -> None:
        self._chains = chains
        self._memory = memory
        self._every = (*chains, memory)
        digests = {name: digest for program in self._every for name, digest in program.digests.items()}
        self.digests: Mapping[str, str] = MappingProxyType(digests)

    def selfcheck(self) -> None:
        """Each kind's own."""
        for program in self._every:
            program.selfcheck()

    def gather(self, workers: int) -> None:
        """Each worker is on its own."""

    def task(self, *, memory_bytes: int, beat: Beat, seat: int = 0) -> ApartTask:
        """Take a share of memory, on the calling core; `seat` decides which kind is first."""
        chains = tuple(program.task(memory_bytes=0, beat=beat) for program in self._chains)
        return ApartTask(chains, self._memory.task(memory_bytes=memory_bytes, beat=beat), seat)


def build(target: InstructionClass, *, issue_order: str | None = None) -> ApartProgram:
    """Compile the three kernels, the integer one in its only class."""
    integer = streams.build(CLASSES["scalar"], issue_order=issue_order)
    return ApartProgram((integer, lanes.build(target)), marching.build(target))
