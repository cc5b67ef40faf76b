"""What a workload is to the rest of soakd: values and protocols only (a leaf module, nothing native here).

A round takes fresh random operands, evolves them by an injective map, and compares the final state with the answer
known in closed form from exact integer arithmetic.  Because the map is injective, a wrong bit at any moment survives
to the end of the round; one cheap check then vouches for every operation of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Protocol

Beat = Callable[[], None]
"""Called between pieces of work of at most about 50 ms, so that a worker's heartbeat advances."""

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
    sweeps: int
    """Complete passes of the algorithm that ended in this round (memory: a whole march over the whole share)."""


class Task(Protocol):
    """One worker's own instance of a program, made after the fork."""

    note: str
    """One line for the verdict about how this instance runs; may be empty."""

    def round(self, target_s: float, beat: Beat, flip: Flip | None = None) -> Round:
        """Work for about `target_s` on fresh random operands and check everything that was done."""
        ...


class Program(Protocol):
    """Native code compiled once in the parent and shared by all workers through fork."""

    digests: Mapping[str, str]
    """Kernel name to SHA-256 (hex) of its object code."""

    def selfcheck(self) -> None:
        """Run a tiny known-answer check of every kernel; raises WorkloadError naming the kernel that is wrong."""
        ...

    def task(self, *, memory_bytes: int, beat: Beat) -> Task:
        """Make one worker's instance; `memory_bytes` matters to memory workloads only."""
        ...
