"""Integer workload: modular products that keep the 64-bit multiplier of a core busy, all in registers.

Two kinds of stream, as many of one as of the other, each with its own multiplier:

 - modulo the Mersenne prime p = 2^61 - 1, with the multiplier stored as 8a: x -> H + floor(L / 8), where H and L are
   the high and low 64 bits of 8*a*x.  H is floor(a*x / 2^61) and L is 8 * (a*x modulo 2^61); since 2^61 is 1 modulo p,
   H + L / 8 is a*x modulo p, reduced lazily.  a < 2^60 and x < 2^62 give H < 2^61 and x' < 2^62: the bound holds for
   ever.  After N steps x is a^N * x modulo p.  p is prime and 0 < a < p, so that is a bijection of the residues.
   An upset may leave x < 2^62, but H < x / 2 then: nothing overflows, and the residue stays what the upset made it.  A
   wrong word has the right residue only if it is off by a multiple of p, which no single wrong bit is, 2^k being none.
 - modulo 2^64: y -> b*y, with b = 5 modulo 8, hence of order 2^62 (D. Knuth, The Art of Computer Programming, vol. 2,
   3.2.1.2), and y odd.  b is odd: a bijection of all words; after N steps y is b^N * y.

A product modulo p costs a multiplication to 128 bits, a shift and an addition.  Streams of these alone get a third less
out of the multiplier on cores that bind operations to schedulers at dispatch, in any order tried; with one short
product beside each, a multiplication begins in every cycle: two cycles per pair of streams.  Own derivation.
"""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING, Final

from soakd.workloads.base import Fault
from soakd.workloads.chain import ChainProgram
from soakd.workloads.classes import InstructionClass, architecture
from soakd.workloads.closedform import WORD
from soakd.workloads.integer.looping import loop_text, x86_loop_text

if TYPE_CHECKING:
    from collections.abc import Sequence

STREAMS: Final = 5
"""Of each kind."""
UNROLL: Final = 8
PRIME: Final = (1 << 61) - 1
STATE_BOUND: Final = 1 << 62
MULTIPLIER_BOUND: Final = 1 << 60
_REGISTERS: Final = ("%rbx", "%rcx", "%r8", "%r9", "%r10", "%r11", "%r12", "%r13", "%r14", "%r15")
OPERATIONS_PER_PAIR: Final = 4
"""Two multiplications, a shift, an addition."""


def _prime_step(x: str, multiplier: str, name: str) -> list[str]:
    return [
        f"%wx{name} = zext i64 {x} to i128",
        f"%wa{name} = zext i64 {multiplier} to i128",
        f"%product{name} = mul i128 %wx{name}, %wa{name}",
        f"%low{name} = trunc i128 %product{name} to i64",
        f"%upper{name} = lshr i128 %product{name}, 64",
        f"%high{name} = trunc i128 %upper{name} to i64",
        f"%part{name} = lshr i64 %low{name}, 3",
        f"%x{name} = add i64 %high{name}, %part{name}",
    ]


def _portable_step(state: Sequence[str], tag: str) -> tuple[list[str], list[str]]:
    names, lines = [f"{tag}_{i}" for i in range(STREAMS)], []
    for i, name in enumerate(names):
        lines += _prime_step(state[i], f"%k{i}", name)
        # The empty assembly hides that (y*b)*b is y*(b*b): a compiler would multiply less.
        lines += [
            f"%by{name} = mul i64 {state[STREAMS + i]}, %k{STREAMS + i}",
            f'%y{name} = call i64 asm "", "=r,0"(i64 %by{name})',
        ]
    return lines, [*(f"%x{name}" for name in names), *(f"%y{name}" for name in names)]


def portable_text() -> str:
    """Return the kernel in portable IR; the compiler chooses the order."""
    return loop_text("i64", state=2 * STREAMS, constants=2 * STREAMS, unroll=UNROLL, step=_portable_step)


def x86_text() -> str:
    """Return the kernel for x86-64 with its instruction order fixed."""
    step: list[str] = []
    for i, (x, y) in enumerate(zip(_REGISTERS[:STREAMS], _REGISTERS[STREAMS:], strict=True)):
        step += [
            f"imulq {8 * (3 * STREAMS + i)}(%rdi), {y}",
            f"movq {x}, %rax",
            f"mulq {8 * (2 * STREAMS + i)}(%rdi)",
            "shrq $3, %rax",
            f"leaq (%rax,%rdx), {x}",
        ]
    return x86_loop_text(_REGISTERS, step * UNROLL)


class Products:
    """The chain."""

    name = "integer/products"
    state_words = 2 * STREAMS
    steps_per_count = UNROLL
    operations_per_step = OPERATIONS_PER_PAIR * STREAMS

    def text(self) -> str:
        return x86_text() if architecture() == "x86-64" else portable_text()

    def fresh(self) -> list[int]:
        """Multipliers are drawn from the upper half of their range: large ones toggle the most wires."""
        return [
            *(1 + secrets.randbelow(PRIME - 1) for _ in range(STREAMS)),
            *(secrets.randbits(64) | 1 for _ in range(STREAMS)),
            *(8 * (MULTIPLIER_BOUND // 2 + secrets.randbelow(MULTIPLIER_BOUND // 2)) for _ in range(STREAMS)),
            *(secrets.randbits(61) * 8 + 5 for _ in range(STREAMS)),
        ]

    def known(self) -> list[int]:
        """The largest states and multipliers."""
        return [
            *(STATE_BOUND - 1 - i for i in range(STREAMS)),
            *(WORD - 1 - 2 * i for i in range(STREAMS)),
            *(8 * (MULTIPLIER_BOUND - 1 - i) for i in range(STREAMS)),
            *(WORD - 3 - 8 * i for i in range(STREAMS)),
        ]

    def after(self, block: Sequence[int], steps: int) -> list[int]:
        """The residues of the state after `steps`, in closed form."""
        states, multipliers = block[: self.state_words], block[self.state_words :]
        moduli = [PRIME] * STREAMS + [WORD] * STREAMS
        bases = [*(word // 8 for word in multipliers[:STREAMS]), *multipliers[STREAMS:]]
        return [pow(a, steps, m) * x % m for a, x, m in zip(bases, states, moduli, strict=True)]

    def faults(self, block: Sequence[int], steps: int, found: Sequence[int]) -> list[Fault]:
        faults = []
        for word, (want, got) in enumerate(zip(self.after(block, steps), found, strict=True)):
            # A lazily reduced word may be any of the residue's below the bound; the nearest one is the expected.
            legal = range(want, STATE_BOUND, PRIME) if word < STREAMS else (want,)
            if got not in legal:
                expected = min(legal, key=lambda value: (value ^ got).bit_count())
                where = f"stream {word % STREAMS} modulo {'2^61 - 1' if word < STREAMS else '2^64'}"
                faults.append(Fault(where=where, expected=expected, actual=got))
        return faults


def build(target: InstructionClass, *, text: str | None = None) -> ChainProgram:
    """Compile the kernel; `text` replaces it (a test's broken variant)."""
    return ChainProgram(Products(), target, text=text)
