"""Integer workload: divisions one after the other, every quotient and every remainder kept.

Each stream is a pair (s, x) with a modulus m and a multiplier a, a < m.  Per step

    q, r = divmod(a * x, m);   s = a * s + q modulo 2^64;   x = r

Read the pair as the integer X = s*m + x modulo m*2^64.  Then a*X = a*s*m + a*x = (a*s + q)*m + r, so a step is
X -> a*X modulo m*2^64 and after N steps X is a^N * X.  a is odd and shares no divisor with m, so that is a bijection:
no wrong quotient, remainder, product or sum ever becomes right again.  Two different pairs stand for the same X only
when x differs by m and s by one, which no single wrong word is.  Own derivation.

m and a are data, drawn anew for every round: no compiler can turn the division into a multiplication.  On x86-64 the
dividend has 128 bits and m has 64 (its top bit set): the longest division there is.  The high half of a*x is below
a < m for every 64-bit x, so that even a wrong x cannot make the instruction trap; a wrong a or m can, and the worker
then dies of it.  Where no division has a 128-bit dividend, m and a have 32 bits and the product 64.

A divider takes one division at a time and a stream waits for its own (about twice as long): four streams side by side.
"""

from __future__ import annotations

import math
import secrets
from typing import TYPE_CHECKING, Final

from soakd.workloads.chain import ChainProgram, unequal
from soakd.workloads.classes import InstructionClass, architecture
from soakd.workloads.closedform import WORD
from soakd.workloads.integer.looping import loop_text

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from soakd.workloads.base import Fault

STREAMS: Final = 4
UNROLL: Final = 4
OPERATIONS_PER_STREAM: Final = 4
"""Two multiplications, a division, an addition."""


def _long_division(x: str, a: str, m: str, tag: str) -> list[str]:
    """One 128-by-64-bit division; IR has no such operation, x86-64 has the instruction."""
    operands = f"i64 %low{tag}, i64 %high{tag}, i64 {m}"
    return [
        f"%wx{tag} = zext i64 {x} to i128",
        f"%wa{tag} = zext i64 {a} to i128",
        f"%product{tag} = mul i128 %wx{tag}, %wa{tag}",
        f"%low{tag} = trunc i128 %product{tag} to i64",
        f"%upper{tag} = lshr i128 %product{tag}, 64",
        f"%high{tag} = trunc i128 %upper{tag} to i64",
        f'%both{tag} = call {{i64, i64}} asm "divq $4", "={{rax}},={{rdx}},0,1,rm,~{{flags}}"({operands})',
        f"%q{tag} = extractvalue {{i64, i64}} %both{tag}, 0",
        f"%r{tag} = extractvalue {{i64, i64}} %both{tag}, 1",
    ]


def _short_division(x: str, a: str, m: str, tag: str) -> list[str]:
    return [
        f"%product{tag} = mul i64 {x}, {a}",
        f"%q{tag} = udiv i64 %product{tag}, {m}",
        f"%r{tag} = urem i64 %product{tag}, {m}",
    ]


def _step(
    divide: Callable[[str, str, str, str], list[str]],
) -> Callable[[Sequence[str], str], tuple[list[str], list[str]]]:
    def step(state: Sequence[str], tag: str) -> tuple[list[str], list[str]]:
        lines, after = [], []
        for i in range(STREAMS):
            name, a = f"{tag}_{i}", f"%k{2 * i}"
            lines += divide(state[2 * i + 1], a, f"%k{2 * i + 1}", name)
            lines += [f"%as{name} = mul i64 {state[2 * i]}, {a}", f"%s{name} = add i64 %as{name}, %q{name}"]
            after += [f"%s{name}", f"%r{name}"]
        return lines, after

    return step


def _drawn(bits: int) -> tuple[int, int]:
    """A multiplier and a modulus of so many bits that share no divisor; the multiplier odd and in the upper half."""
    while True:
        modulus = secrets.randbits(bits) | 1 << (bits - 1)
        multiplier = modulus - 1 - secrets.randbelow(modulus // 2) | 1
        if multiplier < modulus and math.gcd(multiplier, modulus) == 1:
            return multiplier, modulus


class Division:
    """The chain, with moduli of `bits` bits."""

    name = "integer/division"
    state_words = 2 * STREAMS
    steps_per_count = UNROLL
    operations_per_step = OPERATIONS_PER_STREAM * STREAMS

    def __init__(self, bits: int) -> None:
        self.bits = bits

    def text(self) -> str:
        step = _step(_long_division if self.bits == 64 else _short_division)
        return loop_text("i64", state=2 * STREAMS, constants=2 * STREAMS, unroll=UNROLL, step=step)

    def fresh(self) -> list[int]:
        operands = [_drawn(self.bits) for _ in range(STREAMS)]
        state = [word for _, modulus in operands for word in (secrets.randbits(64), secrets.randbelow(modulus))]
        return [*state, *(word for pair in operands for word in pair)]

    def known(self) -> list[int]:
        """The largest moduli, multipliers next to them, the largest remainder and one small one."""
        top = 1 << self.bits
        moduli = [top - 1 - 2 * i for i in range(STREAMS)]
        state = [word for i, m in enumerate(moduli) for word in (WORD - 1 - i, m - 1 if i else 2)]
        return [*state, *(word for m in moduli for word in (m - 2, m))]

    def after(self, block: Sequence[int], steps: int) -> list[int]:
        """The state after `steps`, in closed form."""
        words: list[int] = []
        for at in range(0, self.state_words, 2):
            s, x, a, m = *block[at : at + 2], *block[self.state_words + at : self.state_words + at + 2]
            words += divmod(pow(a, steps, m * WORD) * (s * m + x) % (m * WORD), m)
        return words

    def faults(self, block: Sequence[int], steps: int, found: Sequence[int]) -> list[Fault]:
        return unequal(self.after(block, steps), found, _place)


def here() -> Division:
    """The longest division that this architecture has an instruction for."""
    return Division(64 if architecture() == "x86-64" else 32)


def _place(word: int) -> str:
    return f"{'remainder' if word % 2 else 'quotients'} of stream {word // 2}"


def build(target: InstructionClass, *, text: str | None = None) -> ChainProgram:
    """Compile the kernel; `text` replaces it (a test's broken variant)."""
    return ChainProgram(here(), target, text=text)
