"""Vector workload: modular lanes in double precision that fill the multiply and add pipes of one core.

The state is 60 vectors in L1 (at most 4 KiB), visited one after the other with four or six side by side: more chains
are in flight than registers could hold, which hides the latency of a step (some 20 cycles) at every register width.
The recipes and the proof of their exactness are in `residues`; nothing here may be re-associated or contracted, and no
flag allows it.  `Lanes` also serves the kernels that differ from this one in format, recipe or step only.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from soakd.workloads.chain import KERNEL, ChainProgram
from soakd.workloads.splat import loaded_splat
from soakd.workloads.vector.residues import FUSED, SEPARATE, Operands, compare, numbers, patterns

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.workloads.base import Fault
    from soakd.workloads.classes import InstructionClass
    from soakd.workloads.vector.residues import Recipe

VECTORS: Final = 60
_INTERLEAVE: Final = {True: 4, False: 6}
"""Vectors worked on side by side, by whether the recipe is fused: as many as 16 registers hold without a spill."""


def lanes_of(target: InstructionClass, bits: int = 64) -> int:
    """Numbers of so many bits in one register of the class."""
    return target.register_bits // bits


def interleave_of(target: InstructionClass) -> int:
    """Vectors that one turn of the inner loop works on side by side."""
    return _INTERLEAVE[target.fused]


def recipe_of(target: InstructionClass) -> Recipe:
    """The recipe that fits the class."""
    return FUSED if target.fused else SEPARATE


def fused_step(kind: str, fma: str, i: int) -> list[str]:
    """One step of vector number `i`, from %v to the name that the last line gives."""
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


def separate_step(kind: str, i: int) -> list[str]:
    """The same without a fused operation."""
    return [
        f"%h{i} = fmul {kind} %v{i}, %a",
        f"%g{i} = fmul {kind} %h{i}, %u",
        f"%z{i} = fadd {kind} %g{i}, %magic",
        f"%q{i} = fsub {kind} %z{i}, %magic",
        f"%d{i} = fmul {kind} %q{i}, %p",
        f"%r{i} = fsub {kind} %h{i}, %d{i}",
    ]


def visit(scalar: str, kind: str, lanes: int, step: list[str], i: int) -> list[str]:
    """Load vector number `i` from %here on, take one step with it, store it."""
    result = step[-1].partition(" ")[0]
    return [
        f"%p{i} = getelementptr {scalar}, ptr %here, i64 {lanes * i}",
        f"%v{i} = load {kind}, ptr %p{i}",
        *step,
        f"store {kind} {result}, ptr %p{i}",
    ]


def _loops(scalar: str, lanes: int, steps: list[list[str]]) -> list[str]:
    """`count` times every vector, as many side by side as there are `steps`."""
    kind, interleave = f"<{lanes} x {scalar}>", len(steps)
    first = (VECTORS + 1) * lanes
    visits = [visit(scalar, kind, lanes, step, i) for i, step in enumerate(steps)]
    return [
        f"define void @{KERNEL}(ptr %parameters, i64 %count) {{",
        "entry:",
        *loaded_splat("p", scalar, "%parameters", first, lanes),
        *loaded_splat("u", scalar, "%parameters", first + 1, lanes),
        *loaded_splat("magic", scalar, "%parameters", first + 2, lanes),
        f"%pa = getelementptr {scalar}, ptr %parameters, i64 {VECTORS * lanes}",
        f"%a = load {kind}, ptr %pa",
        "br label %step",
        "step:",
        "%left = phi i64 [ %count, %entry ], [ %less, %next ]",
        "br label %loop",
        "loop:",
        "%at = phi i64 [ 0, %step ], [ %then, %loop ]",
        f"%here = getelementptr {scalar}, ptr %parameters, i64 %at",
        *(line for row in zip(*visits, strict=True) for line in row),
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


class Lanes:
    """The chain for one class and one recipe."""

    steps_per_count = 1
    vectors = VECTORS

    def __init__(self, target: InstructionClass, *, name: str = "lanes", recipe: Recipe | None = None) -> None:
        """`recipe` is the class's own where none is given."""
        self._recipe = recipe or recipe_of(target)
        self._lanes = lanes_of(target, self._recipe.form.bits)
        self._interleave = _INTERLEAVE[self._recipe.fused]
        self.name = f"vector/{name} ({target.name})"
        self.state_words = self.vectors * target.register_bits // 64
        self.operations_per_step = self.vectors * self._lanes * self._recipe.operations_per_step

    def text(self) -> str:
        lanes, form = self._lanes, self._recipe.form
        kind, suffix = f"<{lanes} x {form.name}>", f"v{lanes}f{form.bits}"
        steps = [self._step(kind, suffix, i) for i in range(self._interleave)]
        return "\n".join([*self._declared(kind, suffix), *_loops(form.name, lanes, steps)])

    def _declared(self, kind: str, suffix: str) -> list[str]:
        return [f"declare {kind} @llvm.fma.{suffix}({kind}, {kind}, {kind})"] if self._recipe.fused else []

    def _step(self, kind: str, suffix: str, i: int) -> list[str]:
        return fused_step(kind, f"@llvm.fma.{suffix}", i) if self._recipe.fused else separate_step(kind, i)

    def fresh(self) -> list[int]:
        return self.block(Operands.fresh(self._recipe, self.vectors, self._lanes))

    def known(self) -> list[int]:
        recipe, count = self._recipe, self.vectors * self._lanes
        half = (recipe.prime - 1) // 2
        spread = [half * (i + 1) // count for i in range(count)]
        operands = Operands(
            states=tuple(value if i % 2 else -value for i, value in enumerate(spread)),
            multipliers=tuple(recipe.multiplier_bound - 1 - 2 * i | 1 for i in range(self._lanes)),
        )
        return self.block(operands)

    def block(self, operands: Operands) -> list[int]:
        """State, multipliers, prime, its inverse, the rounding constant: as the kernel has them."""
        prime, form = float(self._recipe.prime), self._recipe.form
        return patterns([*operands.states, *operands.multipliers, prime, 1.0 / prime, form.magic], form)

    def faults(self, block: Sequence[int], steps: int, found: Sequence[int]) -> list[Fault]:
        form, count = self._recipe.form, self.vectors * self._lanes
        values = tuple(int(value) for value in numbers(block, form)[: count + self._lanes])
        operands = Operands(states=values[:count], multipliers=values[count:])
        return compare(self._recipe, operands.residues_after(self._recipe, steps), numbers(found, form))


def kernel_text(target: InstructionClass) -> str:
    """Return the kernel for one class: `count` steps of every vector."""
    return Lanes(target).text()


def build(target: InstructionClass, *, text: str | None = None) -> ChainProgram:
    """Compile the kernel for one class; `text` replaces it (a test's broken variant)."""
    return ChainProgram(Lanes(target), target, text=text)
