"""Vector workload: modular lanes in double precision that fill the multiply and add pipes of one core.

The state is 60 vectors in L1 (at most 4 KiB), visited one after the other with four or six side by side: more chains
are in flight than registers could hold, which hides the latency of a step (some 20 cycles) at every register width.
The recipes and the proof of their exactness are in `residues`; nothing here may be re-associated or contracted, and no
flag allows it.  `Lanes` also serves the kernels that differ from this one in format, recipe or step only.
"""

from __future__ import annotations

from dataclasses import dataclass
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


def abreast(visits: list[list[str]]) -> list[str]:
    """Visits side by side: the first line of each, then the second of each ..."""
    return [line for row in zip(*visits, strict=True) for line in row]


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """What else a kernel keeps in registers while it goes over its vectors."""

    loaded: list[str]
    """Text that loads it, at the entry."""
    begun: list[str]
    """Names after that; in a turn the values are called %v.0, %v.1 ..."""
    ended: list[str]
    """Names at a turn's end."""
    stored: list[str]
    """Text that stores it, at the end."""


NOTHING: Final = Carried(loaded=[], begun=[], ended=[], stored=[])


def loops(
    scalar: str, lanes: int, turn: list[str], *, vectors: tuple[int, int], constants: int, carried: Carried = NOTHING
) -> list[str]:
    """`count` times every vector; one turn is over some of them side by side.

    `vectors`: all, and those of one turn. `constants`: where the multipliers stand in the block, of type `scalar`, with
    prime, inverse and rounding constant behind them.
    """
    kind, (every, side_by_side) = f"<{lanes} x {scalar}>", vectors
    loosely = ", align 8" if carried.begun else ""  # words that are carried stand before them
    phis = list(enumerate(zip(carried.begun, carried.ended, strict=True)))
    return [
        f"define void @{KERNEL}(ptr %parameters, i64 %count) {{",
        "entry:",
        *loaded_splat("p", scalar, "%parameters", constants + lanes, lanes),
        *loaded_splat("u", scalar, "%parameters", constants + lanes + 1, lanes),
        *loaded_splat("magic", scalar, "%parameters", constants + lanes + 2, lanes),
        f"%pa = getelementptr {scalar}, ptr %parameters, i64 {constants}",
        f"%a = load {kind}, ptr %pa{loosely}",
        *carried.loaded,
        "br label %step",
        "step:",
        "%left = phi i64 [ %count, %entry ], [ %less, %next ]",
        *(f"%o.{i} = phi i64 [ {begun}, %entry ], [ {ended}, %next ]" for i, (begun, ended) in phis),
        "br label %loop",
        "loop:",
        "%at = phi i64 [ 0, %step ], [ %then, %loop ]",
        *(f"%v.{i} = phi i64 [ %o.{i}, %step ], [ {ended}, %loop ]" for i, (_, ended) in phis),
        f"%here = getelementptr {scalar}, ptr %parameters, i64 %at",
        *turn,
        f"%then = add i64 %at, {lanes * side_by_side}",
        f"%again = icmp ne i64 %then, {lanes * every}",
        "br i1 %again, label %loop, label %next",
        "next:",
        "%less = sub i64 %left, 1",
        "%more = icmp ne i64 %less, 0",
        "br i1 %more, label %step, label %done",
        "done:",
        *carried.stored,
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
        turn = abreast(self._visits())
        vectors = (self.vectors, self._interleave)
        whole = loops(form.name, lanes, turn, vectors=vectors, constants=self.vectors * lanes)
        return "\n".join([*self._declared(*self._kind()), *whole])

    def _kind(self) -> tuple[str, str]:
        """The vector type, and how intrinsics name it."""
        form = self._recipe.form
        return f"<{self._lanes} x {form.name}>", f"v{self._lanes}f{form.bits}"

    def _visits(self) -> list[list[str]]:
        """One step of each vector of a turn."""
        kind, suffix = self._kind()
        steps = [self._step(kind, suffix, i) for i in range(self._interleave)]
        return [visit(self._recipe.form.name, kind, self._lanes, step, i) for i, step in enumerate(steps)]

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
