"""Integer workload: 128-bit multiply-add streams that keep the 64-bit multiplier of a core busy, all in registers.

Per step: x_i = a_i * x_i + c_i (i = 0..4, odd a_i) modulo 2^128.  In 64-bit words that is one multiplication to 128
bits for the low words and two to 64 bits for the cross products.  A multiplier that takes one operation per cycle needs
three cycles per stream and step; a stream's own chain is some seven cycles long, so five of them hide it.

x -> a*x + c is a bijection modulo 2^128 because a is odd: a wrong bit is never put right by later steps.  After N steps
x stands at G*x + C with (G, C) by doubling (`closedform.jump`).  With PUBLISHED_MULTIPLIER this is the generator under
M. O'Neill, "PCG: a family of simple fast space-efficient statistically good algorithms for random number generation",
HMC-CS-2014-0905 (2014), for which independent implementations exist.
"""

from __future__ import annotations

import os
import struct
from typing import TYPE_CHECKING, Final

from soakd.workloads.chain import ChainProgram, unequal
from soakd.workloads.closedform import WORD, jump
from soakd.workloads.integer.looping import loop_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.workloads.base import Fault
    from soakd.workloads.classes import InstructionClass

STREAMS: Final = 5
UNROLL: Final = 8
MODULUS: Final = WORD * WORD
PUBLISHED_MULTIPLIER: Final = 0x2360ED051FC65DA44385DF649FCCF645
OPERATIONS_PER_STREAM: Final = 7
"""Three multiplications; two additions of cross products; two, with carry between them, of the increment."""


def _step(state: Sequence[str], tag: str) -> tuple[list[str], list[str]]:
    lines: list[str] = []
    for i, value in enumerate(state):
        lines += [f"%m{tag}_{i} = mul i128 {value}, %k{i}", f"%x{tag}_{i} = add i128 %m{tag}_{i}, %k{STREAMS + i}"]
    return lines, [f"%x{tag}_{i}" for i in range(STREAMS)]


def _words(values: Sequence[int]) -> list[int]:
    """Each 128-bit value as two words, the low one first."""
    return [word for value in values for word in (value % WORD, value // WORD)]


def _values(words: Sequence[int]) -> list[int]:
    return [low + WORD * high for low, high in zip(words[::2], words[1::2], strict=True)]


class Wide:
    """The chain."""

    name = "integer/wide"
    state_words = 2 * STREAMS
    steps_per_count = UNROLL
    operations_per_step = OPERATIONS_PER_STREAM * STREAMS

    def text(self) -> str:
        return loop_text("i128", state=STREAMS, constants=2 * STREAMS, unroll=UNROLL, step=_step)

    def block(self, states: Sequence[int], multipliers: Sequence[int], increments: Sequence[int]) -> list[int]:
        """As the kernel has them."""
        return _words([*states, *multipliers, *increments])

    def fresh(self) -> list[int]:
        count = 6 * STREAMS
        states, multipliers, increments = (
            drawn[at : at + STREAMS]
            for drawn in [_values(struct.unpack(f"<{count}Q", os.urandom(8 * count)))]
            for at in (0, STREAMS, 2 * STREAMS)
        )
        return self.block(states, [value | 1 for value in multipliers], increments)

    def known(self) -> list[int]:
        """The published multiplier, then ones near the top of the range."""
        multipliers = [PUBLISHED_MULTIPLIER, *(MODULUS - 1 - 2 * i for i in range(1, STREAMS))]
        states = [MODULUS - 1 - i * PUBLISHED_MULTIPLIER % MODULUS for i in range(STREAMS)]
        return self.block(states, multipliers, [MODULUS // (3 + i) for i in range(STREAMS)])

    def after(self, block: Sequence[int], steps: int) -> list[int]:
        """The state after `steps`, in closed form."""
        values = _values(block)
        states, multipliers, increments = values[:STREAMS], values[STREAMS : 2 * STREAMS], values[2 * STREAMS :]
        jumps = [jump(a, c, steps, MODULUS) for a, c in zip(multipliers, increments, strict=True)]
        return _words([(total * x + shift) % MODULUS for x, (total, shift) in zip(states, jumps, strict=True)])

    def faults(self, block: Sequence[int], steps: int, found: Sequence[int]) -> list[Fault]:
        return unequal(self.after(block, steps), found, _place)


def _place(word: int) -> str:
    return f"{'high' if word % 2 else 'low'} word of stream {word // 2}"


def build(target: InstructionClass, *, text: str | None = None) -> ChainProgram:
    """Compile the kernel; `text` replaces it (a test's broken variant)."""
    return ChainProgram(Wide(), target, text=text)
