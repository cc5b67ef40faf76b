"""Vector workload: modular lanes in double precision that fill the multiply and add pipes of one core.

The state is 60 vectors in L1 (at most 4 KiB), visited one after the other with four or six side by side: more chains
are in flight than registers could hold, which hides the latency of a step (some 20 cycles) at every register width.
The recipes and the proof of their exactness are in `lanes`; nothing here may be re-associated or contracted, and no
flag allows it.
"""

from __future__ import annotations

import ctypes
import mmap
from time import perf_counter_ns
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from soakd.errors import WorkloadError
from soakd.workloads import pace
from soakd.workloads.base import FAULTS_KEPT, Beat, Flip, Round
from soakd.workloads.ir import Compiled, Kernel, compile_kernels
from soakd.workloads.lanes import FUSED, MAGIC, SEPARATE, Operands, Recipe, compare

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.workloads.classes import InstructionClass

KERNEL: Final = "soakd_vector"
VECTORS: Final = 60
_INTERLEAVE: Final = {True: 4, False: 6}
"""Vectors worked on side by side, by whether the recipe is fused: as many as 16 registers hold without a spill."""
_SELFCHECK_STEPS: Final = 5


def lanes_of(target: InstructionClass) -> int:
    """Doubles in one register of the class."""
    return target.register_bits // 64


def interleave_of(target: InstructionClass) -> int:
    """Vectors that one turn of the inner loop works on side by side."""
    return _INTERLEAVE[target.fused]


def recipe_of(target: InstructionClass) -> Recipe:
    """The recipe that fits the class."""
    return FUSED if target.fused else SEPARATE


def _fused_step(kind: str, fma: str, i: int) -> list[str]:
    return [
        f"%h{i} = fmul {kind} %v{i}, %a",
        f"%mh{i} = fneg {kind} %h{i}",
        f"%l{i} = call {kind} {fma}({kind} %v{i}, {kind} %a, {kind} %mh{i})",
        f"%z{i} = call {kind} {fma}({kind} %h{i}, {kind} %u, {kind} %magic)",
        f"%q{i} = fsub {kind} %z{i}, %magic",
        f"%mq{i} = fneg {kind} %q{i}",
        f"%d{i} = call {kind} {fma}({kind} %mq{i}, {kind} %p, {kind} %h{i})",
        f"%r{i} = fadd {kind} %d{i}, %l{i}",
    ]


def _separate_step(kind: str, i: int) -> list[str]:
    return [
        f"%h{i} = fmul {kind} %v{i}, %a",
        f"%g{i} = fmul {kind} %h{i}, %u",
        f"%z{i} = fadd {kind} %g{i}, %magic",
        f"%q{i} = fsub {kind} %z{i}, %magic",
        f"%d{i} = fmul {kind} %q{i}, %p",
        f"%r{i} = fsub {kind} %h{i}, %d{i}",
    ]


def _constants(kind: str, lanes: int) -> list[str]:
    first = (VECTORS + 1) * lanes
    lines = []
    for i, name in enumerate(("p", "u", "magic")):
        lines += [
            f"%pc{i} = getelementptr double, ptr %parameters, i64 {first + i}",
            f"%c{i} = load double, ptr %pc{i}",
            f"%b{i} = insertelement {kind} poison, double %c{i}, i32 0",
            f"%{name} = shufflevector {kind} %b{i}, {kind} poison, <{lanes} x i32> zeroinitializer",
        ]
    return lines


def _visit(kind: str, lanes: int, step: list[str], i: int) -> list[str]:
    return [
        f"%p{i} = getelementptr double, ptr %here, i64 {lanes * i}",
        f"%v{i} = load {kind}, ptr %p{i}",
        *step,
        f"store {kind} %r{i}, ptr %p{i}",
    ]


def kernel_text(target: InstructionClass) -> str:
    """Return the kernel for one class: `count` steps of every vector."""
    lanes, interleave = lanes_of(target), interleave_of(target)
    kind, fma = f"<{lanes} x double>", f"@llvm.fma.v{lanes}f64"
    steps = [_fused_step(kind, fma, i) if target.fused else _separate_step(kind, i) for i in range(interleave)]
    visits = [_visit(kind, lanes, step, i) for i, step in enumerate(steps)]
    body = [line for row in zip(*visits, strict=True) for line in row]
    lines = [
        *([f"declare {kind} {fma}({kind}, {kind}, {kind})"] if target.fused else []),
        f"define void @{KERNEL}(ptr %parameters, i64 %count) {{",
        "entry:",
        *_constants(kind, lanes),
        f"%pa = getelementptr double, ptr %parameters, i64 {VECTORS * lanes}",
        f"%a = load {kind}, ptr %pa",
        "br label %step",
        "step:",
        "%left = phi i64 [ %count, %entry ], [ %less, %next ]",
        "br label %loop",
        "loop:",
        "%at = phi i64 [ 0, %step ], [ %then, %loop ]",
        "%here = getelementptr double, ptr %parameters, i64 %at",
        *body,
        f"%then = add i64 %at, {lanes * interleave}",
        f"%again = icmp ne i64 %then, {lanes * VECTORS}",
        "br i1 %again, label %loop, label %next",
        "next:",
        "%less = sub i64 %left, 1",
        "%more = icmp ne i64 %less, 0",
        "br i1 %more, label %step, label %done",
        "done:",
        "ret void",
        "}",
    ]
    return "\n".join(lines)


class VectorTask:
    """One worker's lanes."""

    note = ""

    def __init__(self, kernel: Kernel, target: InstructionClass) -> None:
        self._kernel = kernel
        self.recipe = recipe_of(target)
        self.lanes = lanes_of(target)
        self._state_count = VECTORS * self.lanes
        count = self._state_count + self.lanes + 3
        # A page of its own: vectors must be aligned to their width.
        self._page = mmap.mmap(-1, 8 * count)
        self._doubles = (ctypes.c_double * count).from_buffer(self._page)
        self._words = (ctypes.c_uint64 * count).from_buffer(self._page)
        self._doubles[-3:] = [float(self.recipe.prime), 1.0 / self.recipe.prime, MAGIC]
        self._pace = pace.Pace(steps_per_s=1e6)

    def load(self, operands: Operands) -> None:
        """Put operands in place of the state."""
        self._doubles[: self._state_count] = [float(value) for value in operands.states]
        self._doubles[self._state_count : self._state_count + self.lanes] = [float(a) for a in operands.multipliers]

    def advance(self, steps: int) -> int:
        """Run `steps` steps of every lane."""
        self._kernel(ctypes.addressof(self._doubles), steps)
        return steps

    def values(self) -> list[float]:
        """Return the lanes as they stand."""
        return list(self._doubles[: self._state_count])

    def invert(self, bit: int) -> None:
        """Invert one bit of the state."""
        word, place = divmod(bit % (64 * self._state_count), 64)
        self._words[word] ^= 1 << place

    def round(self, target_s: float, beat: Beat, flip: Flip | None = None) -> Round:
        """Run fresh lanes for about `target_s` and hold each against its power in exact integers."""
        operands = Operands.fresh(self.recipe, VECTORS, self.lanes)
        self.load(operands)
        steps, work_s = pace.fill(
            target_s, self._pace, self.advance, beat, lambda: self.invert(flip.bit) if flip else None
        )
        begun_ns = perf_counter_ns()
        faults = compare(self.recipe, operands.residues_after(self.recipe, steps), self.values())
        return Round(
            operations=steps * self._state_count * self.recipe.operations_per_step,
            work_s=work_s,
            check_s=(perf_counter_ns() - begun_ns) / 1e9,
            fault_count=len(faults),
            faults=tuple(faults[:FAULTS_KEPT]),
            sweeps=0,
        )


class VectorProgram:
    """The vector kernel of one class in native code."""

    def __init__(self, compiled: Compiled, target: InstructionClass) -> None:
        self._compiled = compiled
        self._target = target
        self._name = f"vector ({target.name})"
        self.digests: Mapping[str, str] = MappingProxyType({self._name: compiled.digest})

    def selfcheck(self) -> None:
        """Run a few steps from fixed operands, the largest among them, and compare in exact integers."""
        recipe, task = recipe_of(self._target), self.task(memory_bytes=0, beat=lambda: None)
        half = (recipe.prime - 1) // 2
        spread = [half * (i + 1) // (VECTORS * task.lanes) for i in range(VECTORS * task.lanes)]
        operands = Operands(
            states=tuple(value if i % 2 else -value for i, value in enumerate(spread)),
            multipliers=tuple(recipe.multiplier_bound - 1 - 2 * i | 1 for i in range(task.lanes)),
        )
        task.load(operands)
        task.advance(_SELFCHECK_STEPS)
        wrong = compare(recipe, operands.residues_after(recipe, _SELFCHECK_STEPS), task.values())
        if wrong:
            raise WorkloadError(
                f"kernel {self._name!r} computes wrongly: {wrong[0].where} is {wrong[0].actual:#018x}, "
                f"{wrong[0].expected:#018x} is right ({len(wrong)} wrong)",
                hint="this core or its memory already fails at rest; do not trust any result of it",
            )

    def task(self, *, memory_bytes: int, beat: Beat) -> VectorTask:  # noqa: ARG002  (nothing to lock here)
        """Make one worker's instance."""
        return VectorTask(self._compiled.kernels[KERNEL], self._target)


def build(target: InstructionClass, *, text: str | None = None) -> VectorProgram:
    """Compile the kernel for one class; `text` replaces it (a test's broken variant)."""
    return VectorProgram(compile_kernels(text or kernel_text(target), target, (KERNEL,)), target)
