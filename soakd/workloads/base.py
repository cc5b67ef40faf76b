"""What a workload is to the rest of soakd: values and protocols only (a leaf module, nothing native here).

A round takes fresh random operands, evolves them by an injective map, and compares the final state with the answer
known in closed form from exact integer arithmetic.  Because the map is injective, a wrong bit at any moment survives
to the end of the round; one cheap check then vouches for every operation of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

from soakd.errors import WorkloadError

if TYPE_CHECKING:
    from soakd.workloads.classes import InstructionClass

Beat = Callable[[], None]
"""Called between pieces of work of at most about 50 ms, so that a worker's heartbeat advances."""


class Gate(Protocol):
    """The load pattern as a round sees it."""

    def wait(self) -> float:
        """Rest until work is about to be wanted; returns the seconds that it may go on, 0 when the round is to end."""
        ...

    def start(self) -> None:
        """Return at the very moment from which work is wanted; called right before it."""
        ...


class _Open:
    """No pattern at all: work as long as you like."""

    def wait(self) -> float:
        return math.inf

    def start(self) -> None:
        pass


OPEN: Final[Gate] = _Open()

UNSOUND: Final = "this core or its memory already fails at rest; do not trust any result of it"
FAULTS_KEPT: Final = 8
"""How many wrong results of one round are kept in full; all are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flip:
    """A deliberate fault, only ever given in a drill."""

    bit: int
    """Which bit of the live state to invert (modulo the state's size), once, in the middle of the round."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One wrong result."""

    where: str
    """Place in the state: a stream, a lane, or a byte of the share."""
    expected: int
    """The right 64-bit pattern."""
    actual: int
    """The 64-bit pattern found."""

    @property
    def flipped(self) -> int:
        """The bits that differ."""
        return self.expected ^ self.actual


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """What one round did and what its check found."""

    operations: int
    """Operations done (memory: bytes read + written), all of them vouched for by the round's check."""
    work_s: float
    """Time spent in kernels."""
    check_s: float
    """Time spent on the closed form and the comparison."""
    fault_count: int
    """Wrong results found; 0 is a clean round."""
    faults: tuple[Fault, ...]
    """The first `FAULTS_KEPT` of them."""
    sweeps: int = 0
    """Complete passes of the algorithm that ended in this round (memory: a march or its like over the share)."""


def refuse_at_rest(name: str, wrong: Sequence[Fault]) -> None:
    """Raise WorkloadError if a kernel that was given a known problem, without any load, made faults."""
    if wrong:
        raise WorkloadError(
            f"kernel {name!r} computes wrongly: {wrong[0].where} is {wrong[0].actual:#018x}, "
            f"{wrong[0].expected:#018x} is right ({len(wrong)} wrong)",
            hint=UNSOUND,
        )


class Task(Protocol):
    """One worker's own instance of a program, made after the fork."""

    note: str
    """One line for the verdict about how this instance runs; may be empty."""

    def round(self, target_s: float, beat: Beat, flip: Flip | None = None, gate: Gate = OPEN) -> Round:
        """Work for about `target_s` on fresh random operands, when the gate lets it, and check everything done."""
        ...


class Program(Protocol):
    """Native code compiled once in the parent and shared by all workers through fork."""

    digests: Mapping[str, str]
    """Kernel name to SHA-256 (hex) of its object code."""

    def selfcheck(self) -> None:
        """Run a tiny known-answer check of every kernel; raises WorkloadError naming the kernel that is wrong."""
        ...

    def gather(self, workers: int) -> None:
        """Called in the parent before a stage's workers are forked: make what they are to share, if anything."""
        ...

    def task(self, *, memory_bytes: int, beat: Beat, seat: int = 0) -> Task:
        """Make one worker's instance.

        `memory_bytes` matters to memory workloads only, `seat` (the worker's place among those gathered, from 0) only
        to those that share something.
        """
        ...


class Workload(Protocol):
    """What a workload plugin makes of its options: words for the list of workloads, and the way to build it."""

    @property
    def loads(self) -> str:
        """One line: which part of the machine."""
        ...

    @property
    def catches(self) -> str: ...

    @property
    def misses(self) -> str:
        """What it cannot catch; there is always something."""
        ...

    @property
    def classes(self) -> Sequence[str]:
        """Instruction classes that it can be built for, narrowest first; "scalar" where that means nothing."""
        ...

    def build(self, target: InstructionClass) -> Program:
        """Called in the crew's parent, which forks the workers: load libraries here, and open devices in `task`.

        Raises WorkloadError with the reason where it cannot be built on this machine.
        """
        ...
