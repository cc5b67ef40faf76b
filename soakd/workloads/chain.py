"""What most kernels share: a state in one block of 64-bit words, evolved step by step and held against a closed form.

A kernel file gives the text, the operands and the right answer (`Chain`); running rounds, planting a drill's fault,
checking and the known answer at rest are here, once.
"""

from __future__ import annotations

import ctypes
import mmap
from array import array
from time import perf_counter_ns
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Protocol

from soakd.workloads import pace
from soakd.workloads.base import FAULTS_KEPT, OPEN, Beat, Fault, Flip, Gate, Round, refuse_at_rest
from soakd.workloads.blocks import block_type
from soakd.workloads.ir import Kernel, compile_kernels

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from soakd.workloads.blocks import Block
    from soakd.workloads.classes import InstructionClass

KERNEL: Final = "soakd_kernel"
_KNOWN_COUNT: Final = 3


class Chain(Protocol):
    """One kernel for one instruction class: how its state evolves, and where it must stand after any number of steps.

    A block is a sequence of 64-bit patterns: the live state first, then what the kernel only reads.
    """

    name: str
    """What a digest and a failed check call it."""
    state_words: int
    steps_per_count: int
    """Steps of the whole state that one count of the kernel runs."""
    operations_per_step: int
    """Over the whole state, in the kind's unit."""

    def text(self) -> str:
        """The IR, or assembly in it, of one function `KERNEL(ptr block, i64 count)`."""
        ...

    def fresh(self) -> Sequence[int]:
        """A whole block of operands drawn anew."""
        ...

    def known(self) -> Sequence[int]:
        """A fixed block, the largest operands among them."""
        ...

    def faults(self, block: Sequence[int], steps: int, found: Sequence[int]) -> list[Fault]:
        """Every word of the state `found` that is not what `block` must have become after `steps`; exact integers."""
        ...


def block_of(chain: Chain) -> type[Block]:
    """The type of the chain's blocks."""
    return block_type(len(chain.known()))


class ChainTask:
    """One worker's block."""

    note = ""

    def __init__(self, kernel: Kernel, chain: Chain, block: type[Block]) -> None:
        self._kernel = kernel
        self._chain = chain
        # Pages of its own: vectors must be aligned to their width.
        self._pages = mmap.mmap(-1, ctypes.sizeof(block))
        self._words = block.from_buffer(self._pages)
        self.address = ctypes.addressof(self._words)
        self._pace = pace.Pace(steps_per_s=1e5)

    def load(self, block: Sequence[int]) -> None:
        """Put operands in place."""
        self._pages[:] = array("Q", block)

    def advance(self, count: int) -> int:
        """Run the kernel for `count` counts."""
        self._kernel(self.address, count)
        return count

    def state(self) -> array[int]:
        """The state as it stands."""
        return array("Q", self._pages[: 8 * self._chain.state_words])

    def invert(self, bit: int) -> None:
        """Invert one bit of the state (modulo its size)."""
        word, place = divmod(bit % (64 * self._chain.state_words), 64)
        self._words[word] ^= 1 << place

    def round(self, target_s: float, beat: Beat, flip: Flip | None = None, gate: Gate = OPEN) -> Round:
        """Evolve fresh operands for about `target_s` and hold the state against its closed form."""
        chain = self._chain
        block = chain.fresh()
        self.load(block)
        counts, work_s = pace.fill(
            target_s, self._pace, self.advance, beat, lambda: self.invert(flip.bit) if flip else None, gate
        )
        steps = counts * chain.steps_per_count
        begun_ns = perf_counter_ns()
        faults = chain.faults(block, steps, self.state())
        return Round(
            operations=steps * chain.operations_per_step,
            work_s=work_s,
            check_s=(perf_counter_ns() - begun_ns) / 1e9,
            fault_count=len(faults),
            faults=tuple(faults[:FAULTS_KEPT]),
        )


class ChainProgram:
    """One chain's kernel in native code."""

    def __init__(self, chain: Chain, target: InstructionClass, *, text: str | None = None) -> None:
        """`text` replaces the chain's own (a test's broken or re-ordered variant)."""
        self._chain = chain
        self._compiled = compile_kernels(text or chain.text(), target, (KERNEL,))
        self._block = block_of(chain)
        self.digests: Mapping[str, str] = MappingProxyType({chain.name: self._compiled.digest})

    def selfcheck(self) -> None:
        """Run a few steps from the known block and compare; raises WorkloadError."""
        chain, block = self._chain, self._chain.known()
        task = ChainTask(self._compiled.kernels[KERNEL], chain, self._block)
        task.load(block)
        task.advance(_KNOWN_COUNT)
        wrong = chain.faults(block, _KNOWN_COUNT * chain.steps_per_count, task.state())
        refuse_at_rest(chain.name, wrong)

    def gather(self, workers: int) -> None:
        """Each worker is on its own."""

    def task(self, *, memory_bytes: int, beat: Beat, seat: int = 0) -> ChainTask:  # noqa: ARG002  (nothing to lock)
        """Make one worker's instance."""
        return ChainTask(self._compiled.kernels[KERNEL], self._chain, self._block)


def unequal(expected: Sequence[int], actual: Sequence[int], place_of: Callable[[int], str]) -> list[Fault]:
    """For chains whose state is plain integers: every word that is not the expected one, `place_of` its number."""
    return [
        Fault(where=place_of(word), expected=want, actual=got)
        for word, (want, got) in enumerate(zip(expected, actual, strict=True))
        if want != got
    ]
