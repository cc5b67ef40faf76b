"""Integer workload: six multiply-add streams beside three pairs of running sums, their state in registers.

Per step: x_i = a_i * x_i + c (i = 0..5, odd a_i, odd c) and twice (y += w; w += y) on each of three pairs, modulo 2^64;
24 operations, six of them multiplies.  One multiplier needs six cycles for a step, and so do four adders; every chain
is only four cycles long on cores with a 3-cycle multiply, so that an operation may wait its turn without delaying the
next step.  The multipliers come from L1, because registers hold all the state.  All maps are bijections: x -> a*x + c
because a is odd, the pairs because their matrix has determinant 1.  A wrong bit therefore survives, whatever the later
operands are.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from soakd.workloads.chain import ChainProgram, unequal
from soakd.workloads.classes import InstructionClass, architecture
from soakd.workloads.closedform import WORD, jump, pair_after
from soakd.workloads.families import cpuinfo, family_of
from soakd.workloads.integer.looping import loop_text, x86_loop_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.workloads.base import Fault

STREAMS: Final = 6
PAIRS: Final = 3
STATE_WORDS: Final = STREAMS + 2 * PAIRS
PARAMETER_WORDS: Final = STATE_WORDS + STREAMS + 1
UNROLL: Final = 16
"""Steps per call count: the kernel runs whole blocks of this many."""
OPERATIONS_PER_STEP: Final = 2 * STREAMS + 4 * PAIRS

ORDER: Final = "067816782678367845012345"
"""Issue order of one step: 0-5 a stream (its multiply, then its add), 6-8 a pair (its four adds in turn).

All chains in turn, each operation as far as possible from the one that it waits for.  Cores that bind an operation to
a scheduler when it is issued may prefer another: `order` searches for it.
"""

_REGISTERS: Final = (
    "%rax", "%rbx", "%rcx", "%rdx", "%r8", "%r9", "%r10", "%r11", "%r12", "%r13", "%r14", "%r15", "%rbp",
)  # fmt: skip
"""The state, then the increment."""
_MULTIPLIERS: Final = STATE_WORDS + 1
"""Place of the first in the block."""


def _stream_operations(stream: int) -> list[str]:
    register = _REGISTERS[stream]
    return [f"imulq {8 * (_MULTIPLIERS + stream)}(%rdi), {register}", f"addq {_REGISTERS[STATE_WORDS]}, {register}"]


def _pair_operations(pair: int) -> list[str]:
    first, second = _REGISTERS[STREAMS + 2 * pair : STREAMS + 2 * pair + 2]
    return [f"addq {second}, {first}", f"addq {first}, {second}"] * 2


def ordered_step(order: str = ORDER) -> list[str]:
    """Return one step's instructions in the given issue order."""
    chains = [_stream_operations(i) for i in range(STREAMS)] + [_pair_operations(i) for i in range(PAIRS)]
    step = [chains[int(digit)].pop(0) for digit in order]
    if any(chains):
        raise ValueError(f"order {order!r} leaves operations out")
    return step


def x86_text(order: str = ORDER) -> str:
    """Return the kernel for x86-64 with its instruction order fixed."""
    return x86_loop_text(_REGISTERS, ordered_step(order) * UNROLL)


def _portable_step(state: Sequence[str], tag: str) -> tuple[list[str], list[str]]:
    lines: list[str] = []
    streams, sums = list(state[:STREAMS]), list(state[STREAMS:])
    for i, value in enumerate(streams):
        lines += [f"%m{tag}_{i} = mul i64 {value}, %k{i + 1}", f"%x{tag}_{i} = add i64 %m{tag}_{i}, %k0"]
        streams[i] = f"%x{tag}_{i}"
    for turn in range(2):
        for pair in range(PAIRS):
            name = f"{tag}_{turn}_{pair}"
            first, second = sums[2 * pair : 2 * pair + 2]
            lines += [f"%y{name} = add i64 {first}, {second}", f"%w{name} = add i64 {second}, %y{name}"]
            sums[2 * pair : 2 * pair + 2] = [f"%y{name}", f"%w{name}"]
    return lines, [*streams, *sums]


def portable_text() -> str:
    """Return the same kernel in portable IR; the compiler chooses the order."""
    return loop_text("i64", state=STATE_WORDS, constants=STREAMS + 1, unroll=UNROLL, step=_portable_step)


@dataclass(frozen=True, slots=True, kw_only=True)
class Operands:
    """What one round starts from."""

    state: tuple[int, ...]
    """The streams, then the pairs (y, w)."""
    increment: int
    multipliers: tuple[int, ...]

    @classmethod
    def fresh(cls) -> Operands:
        """Draw new operands; multipliers and increment are odd, which is what makes the maps injective."""
        words = [int.from_bytes(os.urandom(8), "little") for _ in range(PARAMETER_WORDS)]
        return cls.of([*words[:STATE_WORDS], *(word | 1 for word in words[STATE_WORDS:])])

    @classmethod
    def of(cls, block: Sequence[int]) -> Operands:
        """Read a block."""
        increment, *multipliers = block[STATE_WORDS:]
        return cls(state=tuple(block[:STATE_WORDS]), increment=increment, multipliers=tuple(multipliers))

    def block(self) -> list[int]:
        """State, increment, multipliers: as the kernel has them."""
        return [*self.state, self.increment, *self.multipliers]

    def after(self, steps: int) -> tuple[int, ...]:
        """Return the state after `steps`, in closed form."""
        streams: list[int] = []
        for value, multiplier in zip(self.state[:STREAMS], self.multipliers, strict=True):
            total, shift = jump(multiplier, self.increment, steps, WORD)
            streams.append((total * value + shift) % WORD)
        sums = self.state[STREAMS:]
        pairs = (pair_after(sums[2 * i], sums[2 * i + 1], 2 * steps) for i in range(PAIRS))
        return (*streams, *(word for pair in pairs for word in pair))


def place_of(word: int) -> str:
    if word < STREAMS:
        return f"stream {word}"
    return f"{'second' if (word - STREAMS) % 2 else 'first'} sum of pair {(word - STREAMS) // 2}"


class Streams:
    """The chain."""

    name = "integer/streams"
    state_words = STATE_WORDS
    steps_per_count = UNROLL
    operations_per_step = OPERATIONS_PER_STEP

    def __init__(self, issue_order: str | None = None) -> None:
        """`issue_order`: what was found on this machine; without one, what suits the core's family."""
        self._issue_order = issue_order

    def text(self) -> str:
        if architecture() != "x86-64":
            return portable_text()
        family = family_of(cpuinfo())
        return x86_text(self._issue_order or (family and family.issue_order) or ORDER)

    def fresh(self) -> list[int]:
        return Operands.fresh().block()

    def known(self) -> list[int]:
        return Operands(
            state=tuple(0x9E3779B97F4A7C15 * (i + 1) % WORD for i in range(STATE_WORDS)),
            multipliers=tuple(0xD1342543DE82EF95 + 16 * i for i in range(STREAMS)),
            increment=0x14057B7EF767814F,
        ).block()

    def faults(self, block: Sequence[int], steps: int, found: Sequence[int]) -> list[Fault]:
        return unequal(Operands.of(block).after(steps), found, place_of)


def build(target: InstructionClass, *, text: str | None = None, issue_order: str | None = None) -> ChainProgram:
    """Compile the kernel; `text` replaces it (a test's broken or re-ordered variant)."""
    return ChainProgram(Streams(issue_order), target, text=text)
