"""Mixed workload: integers, vectors and memory interleaved on one core.

A march over the worker's share (`memory/march`), and after each group of words that it verifies one step of the chains
of `beside`: while lines are on their way, multipliers and adders of both kinds work. The march and the chains share
nothing but the core, so each is checked as it is alone: the march by what it reads, the chains by their closed form.
"""

from __future__ import annotations

import ctypes
from dataclasses import replace
from time import perf_counter_ns
from typing import TYPE_CHECKING

from soakd.workloads.base import FAULTS_KEPT, OPEN, Flip, refuse_at_rest
from soakd.workloads.chain import KERNEL, ChainTask, block_of
from soakd.workloads.memory import march, pieces, sweep
from soakd.workloads.memory.marching import MarchDesign
from soakd.workloads.memory.pieces import WORD_BYTES, parameter
from soakd.workloads.memory.tasks import CHUNK_BYTES, MemoryProgram, MemoryTask
from soakd.workloads.mixed.beside import Beside

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.workloads.base import Beat, Fault, Gate, Round
    from soakd.workloads.blocks import Block
    from soakd.workloads.classes import InstructionClass
    from soakd.workloads.ir import Kernel
    from soakd.workloads.memory.share import Share
    from soakd.workloads.memory.tasks import Walk


def _beside_place(target: InstructionClass) -> int:
    """Where the sweeps' parameters hold the address of the chains' block."""
    return pieces.own(sweep.group_words(target), 0)


def _call(target: InstructionClass) -> list[str]:
    """One step of the chains, in the text of a sweep."""
    return [
        *parameter("beside", _beside_place(target)),
        "%beside = inttoptr i64 %beside.word to ptr",
        f"call void @{KERNEL}(ptr %beside, i64 1)",
    ]


class Companion(ChainTask):
    """The chains' block, and how far the sweeps have taken it."""

    def __init__(self, kernels: Mapping[str, Kernel], chain: Beside, block: type[Block], place: int) -> None:
        """`place`: of the block's address among a sweep's parameters."""
        self.chain = chain
        super().__init__(kernels[KERNEL], chain, block)
        self._place_bytes = WORD_BYTES * place
        self.begin()

    def begin(self) -> None:
        """Start from fresh operands."""
        self._block, self.steps = self.chain.fresh(), 0
        self.load(self._block)

    def wrong(self) -> list[Fault]:
        """What is not as the closed form has it after the steps taken."""
        return self.chain.faults(self._block, self.steps, self.state())

    def taken_along(self, kernels: Mapping[str, Kernel]) -> dict[str, Kernel]:
        """The sweeps, taking this block along; the one that only fills does not."""
        return {name: kernel if name == sweep.FILL else self._taken(kernel) for name, kernel in kernels.items()}

    def _taken(self, kernel: Kernel) -> Kernel:
        def run(parameters: int, groups: int) -> None:
            ctypes.c_uint64.from_address(parameters + self._place_bytes).value = self.address
            kernel(parameters, groups)
            self.steps += groups

        return run


class TogetherTask(MemoryTask):
    """One worker's share and its chains."""

    def __init__(self, walk: Walk, share: Share, companion: Companion) -> None:
        super().__init__(walk, share)
        self.companion = companion

    def invert(self, bit: int) -> None:
        """Invert one bit: of the chains' state by odd numbers, of what is verified next by even ones."""
        half, odd = divmod(bit, 2)
        if odd:
            self.companion.invert(half)
        else:
            super().invert(half)

    def round(self, target_s: float, beat: Beat, flip: Flip | None = None, gate: Gate = OPEN) -> Round:
        """Go on with the march for about `target_s`, the chains on fresh operands beside it."""
        companion = self.companion
        companion.begin()
        marched = super().round(target_s, beat, flip, gate)
        begun_ns = perf_counter_ns()
        wrong = companion.wrong()
        return replace(
            marched,
            operations=marched.operations // WORD_BYTES + companion.steps * companion.chain.operations_per_step,
            check_s=(perf_counter_ns() - begun_ns) / 1e9,
            fault_count=marched.fault_count + len(wrong),
            faults=(*marched.faults, *wrong)[:FAULTS_KEPT],
        )


class TogetherProgram(MemoryProgram):
    """The sweeps with the chains in native code."""

    def __init__(self, target: InstructionClass, *, text: str | None = None) -> None:
        self._together = TogetherDesign(target)
        super().__init__(self._together, target, text=text)

    def selfcheck(self) -> None:
        """The sweeps as ever; then the chains as the sweeps take them along."""
        super().selfcheck()
        task = self.task(memory_bytes=CHUNK_BYTES, beat=lambda: None)
        for _ in march.C_MINUS:
            task.advance(1)
        refuse_at_rest(self._design.name, task.companion.wrong())

    def task(self, *, memory_bytes: int, beat: Beat, seat: int = 0) -> TogetherTask:  # noqa: ARG002  (shares are alike)
        """Take a share of memory, on the calling core, and fill it."""
        share, companion = self.share(memory_bytes, beat), self._together.companion(self._compiled.kernels)
        walk = self._design.walk(companion.taken_along(self._compiled.kernels), share, beat)
        return TogetherTask(walk, share, companion)


class TogetherDesign(MarchDesign):
    """March C- with the chains."""

    kernels: tuple[str, ...] = (*sweep.KERNELS, KERNEL)

    def __init__(self, target: InstructionClass) -> None:
        super().__init__("march", march.C_MINUS, target)
        self.name = f"mixed/together ({target.name})"
        self._chain = Beside(target)
        self._block = block_of(self._chain)

    def companion(self, kernels: Mapping[str, Kernel]) -> Companion:
        """Chains of their own for one worker."""
        return Companion(kernels, self._chain, self._block, _beside_place(self._target))

    def text(self) -> str:
        """All sweeps, and what they call."""
        return "\n".join((sweep.kernels_text(self._target, _call(self._target)), self._chain.text()))

    def complaint(self, kernels: Mapping[str, Kernel]) -> tuple[str, str] | None:
        """Try each sweep, with chains of its own, on three groups."""
        return super().complaint(self.companion(kernels).taken_along(kernels))


def build(target: InstructionClass, *, text: str | None = None) -> TogetherProgram:
    """Compile sweeps and chains for one class; `text` replaces them (a test's broken variant)."""
    return TogetherProgram(target, text=text)
