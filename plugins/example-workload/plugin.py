"""A workload in plain Python that proves itself: x -> x^5 modulo the prime 2^1279 - 1, on one core.

Every step is three long multiplications and reductions of 1279 bits. 5 has no factor in common with 2^1279 - 2 (it
would have to divide 2^1278 - 1, and the order of 2 modulo 5 is 4, which does not divide 1278), so the map is a
bijection: two different states never become the same one, and a wrong bit at any moment is still there at the end of
the round. After n steps x has become x0 to the power of 5^n mod (2^1279 - 2) (Fermat's little theorem), which `pow`
computes by another sequence of operations from fresh random x0. That 2^1279 - 1 is prime: R. M. Robinson, 1952.
"""

from __future__ import annotations

import secrets
from time import perf_counter
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from soakd.api import OPEN, Fault, Pace, Round, fill, refuse_at_rest

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.api import Beat, Flip, Gate, InstructionClass

BITS = 1279
PRIME = 2**BITS - 1
OPERATIONS = 3
"""Long multiplications of one step."""
_WORD = 2**64


class Powers:
    """What `soakd workloads list` shows, and the way to build it."""

    loads = "the 64-bit multiplier of one core through Python's long integers, with loads and stores in L1"
    catches = "any wrong bit of a product, a reduction or the state, for operands that are new every round"
    misses = "wide units, caches beyond L1, memory; the core at its limit, as the interpreter takes its share"
    classes = ("scalar",)

    def build(self, target: InstructionClass) -> PowersProgram:  # noqa: ARG002 - there is one class
        return PowersProgram()


class PowersProgram:
    """Nothing is compiled: every worker has its own state and shares nothing."""

    digests: Mapping[str, str] = MappingProxyType({})
    """Nothing is compiled; soakd adds the digest of this file."""

    def selfcheck(self) -> None:
        """3^125 is shorter than the prime: nothing is reduced, and the answer is known without it."""
        task = PowersTask()
        task.state = 3
        task.advance(3)
        refuse_at_rest("powers", faults(3**125, task.state))

    def gather(self, workers: int) -> None:
        """Nothing is shared."""

    def task(self, *, memory_bytes: int, beat: Beat, seat: int = 0) -> PowersTask:  # noqa: ARG002
        return PowersTask()


class PowersTask:
    """One worker's state."""

    note = ""

    def __init__(self) -> None:
        self.state = 1
        self._pace = Pace(steps_per_s=1e4)

    def advance(self, steps: int) -> int:
        x = self.state
        for _ in range(steps):
            square = x * x % PRIME
            x = square * square % PRIME * x % PRIME
        self.state = x
        return steps

    def round(self, target_s: float, beat: Beat, flip: Flip | None = None, gate: Gate = OPEN) -> Round:
        """About `target_s` of work, when the gate lets it; `flip` is a fault that has to be found."""
        start = self.state = secrets.randbelow(PRIME - 2) + 2
        steps, work_s = fill(target_s, self._pace, self.advance, beat, lambda: self._invert(flip), gate)
        begun_s = perf_counter()
        wrong = faults(pow(start, pow(5, steps, PRIME - 1), PRIME), self.state)
        return Round(
            operations=steps * OPERATIONS,
            work_s=work_s,
            check_s=perf_counter() - begun_s,
            fault_count=len(wrong),
            faults=tuple(wrong[:8]),
        )

    def _invert(self, flip: Flip | None) -> None:
        if flip is not None:
            self.state ^= 1 << flip.bit % BITS


def faults(expected: int, actual: int) -> list[Fault]:
    """Every 64-bit word of the state that is wrong."""
    words = ((word, expected >> 64 * word, actual >> 64 * word) for word in range(-(-BITS // 64)))
    return [
        Fault(where=f"word {word} of the state", expected=want % _WORD, actual=got % _WORD)
        for word, want, got in words
        if want % _WORD != got % _WORD
    ]


def workload(options: dict[str, Any]) -> Powers:  # noqa: ARG001 - it has no options
    return Powers()
