"""Integer workload: branches that no predictor can learn, both ways of each doing different work.

Per stream and step, with t the state and P the low 64 coefficients of a polynomial z^64 + P over GF(2), drawn anew:

    if the top bit of t is set:  t = 2t ^ P;  w = (5 * w) + c
    else:                        t = 2t;      w = (4 * w + c) + w

This is division by a polynomial one bit at a time, as in the bitwise cyclic redundancy check: t -> z*t modulo z^64 + P.
P is odd, so z has an inverse and the map is a bijection of all 64-bit words; after N steps t is z^N * t modulo
z^64 + P (`binary`).  The bits that decide are the digits of a linear recurrence of order 64 with random taps: half of
them are ones, and no fewer than 64 decisions of the same stream say anything of the next.  About half of all branches
are therefore mispredicted, whatever the predictor; a branch costs half a refill of the pipeline, whichever stream it
belongs to, so there are few streams and many branch addresses.

What a wrong decision shows: t is off by P then, and since the map is a bijection it stays wrong until the check.  A
right decision with wrong work in one of the two ways shows in t or in w, whose closed form (`closedform.jump`, 5 being
odd a bijection too) knows nothing of the way.  What does not show: a wrong *prediction*, which the core repairs by
design, as long as the repair is right; and w alone cannot show a wrong way, both being the same map there.  Own
derivation.
"""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING, Final

from soakd.workloads.chain import ChainProgram, unequal
from soakd.workloads.closedform import WORD, jump
from soakd.workloads.integer.binary import power_of_z, product
from soakd.workloads.integer.looping import loop_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.workloads.base import Fault
    from soakd.workloads.classes import InstructionClass

STREAMS: Final = 2
UNROLL: Final = 32
MULTIPLIER: Final = 5
OPERATIONS_PER_STREAM: Final = 5
"""Either way: doubling, decision, and three more."""
KNOWN_POLYNOMIALS: Final = (0x42F0E1EBA9EA3693, 0xAD93D23594C935A9)
"""Low coefficients of two published 64-bit check polynomials (ECMA-182; D. Jones 2002, from memory)."""


def _stream_step(t: str, w: str, i: int, tag: str) -> list[str]:
    """The empty assembly holds each way's result in a register: no compiler may then select instead of branch."""
    return [
        f"%d{tag} = add i64 {t}, {t}",
        f"%top{tag} = icmp slt i64 {t}, 0",
        f"br i1 %top{tag}, label %high{tag}, label %low{tag}",
        f"high{tag}:",
        f"%r{tag} = xor i64 %d{tag}, %k{2 * i}",
        f"%m{tag} = mul i64 {w}, {MULTIPLIER}",
        f"%wh{tag} = add i64 %m{tag}, %k{2 * i + 1}",
        f'call void asm sideeffect "", "r"(i64 %wh{tag})',
        f"br label %met{tag}",
        f"low{tag}:",
        f"%f{tag} = shl i64 {w}, 2",
        f"%e{tag} = add i64 %f{tag}, %k{2 * i + 1}",
        f"%wl{tag} = add i64 %e{tag}, {w}",
        f'call void asm sideeffect "", "r"(i64 %wl{tag})',
        f"br label %met{tag}",
        f"met{tag}:",
        f"%t{tag} = phi i64 [ %r{tag}, %high{tag} ], [ %d{tag}, %low{tag} ]",
        f"%w{tag} = phi i64 [ %wh{tag}, %high{tag} ], [ %wl{tag}, %low{tag} ]",
    ]


def _step(state: Sequence[str], tag: str) -> tuple[list[str], list[str]]:
    names = [f"{tag}_{i}" for i in range(STREAMS)]
    lines = [line for i, name in enumerate(names) for line in _stream_step(state[2 * i], state[2 * i + 1], i, name)]
    return lines, [word for name in names for word in (f"%t{name}", f"%w{name}")]


def start_with(decisions: Sequence[bool], polynomial: int) -> int:
    """The state whose first 64 decisions are the given ones.

    Decision k is bit 63 - k of the start, plus what earlier decisions added: bit after bit can be fixed.
    """
    start = 0
    for k, decision in enumerate(decisions):
        t = start
        for _ in range(k):
            t = 2 * t % WORD ^ (polynomial if t >> 63 else 0)
        if bool(t >> 63) is not decision:
            start |= 1 << (63 - k)
    return start


class Branches:
    """The chain."""

    name = "integer/branches"
    state_words = 2 * STREAMS
    steps_per_count = UNROLL
    operations_per_step = OPERATIONS_PER_STREAM * STREAMS

    def text(self) -> str:
        return loop_text("i64", state=2 * STREAMS, constants=2 * STREAMS, unroll=UNROLL, step=_step)

    def fresh(self) -> list[int]:
        state = [word for _ in range(STREAMS) for word in (1 + secrets.randbelow(WORD - 1), secrets.randbits(64))]
        return [*state, *(word for _ in range(STREAMS) for word in (secrets.randbits(64) | 1, secrets.randbits(64)))]

    def known(self) -> list[int]:
        """Decisions that alternate and then do so the other way round: three counts go both ways at every branch."""
        half = [k % 2 == 0 for k in range(UNROLL)]
        decisions = [*half, *(not decision for decision in half)]
        starts = [start_with(decisions, polynomial) for polynomial in KNOWN_POLYNOMIALS]
        state = [word for i, start in enumerate(starts) for word in (start, WORD - 1 - i)]
        return [*state, *(word for i, p in enumerate(KNOWN_POLYNOMIALS) for word in (p, WORD - 1 - 2 * i))]

    def after(self, block: Sequence[int], steps: int) -> list[int]:
        """The state after `steps`, in closed form."""
        words: list[int] = []
        total, shift_by_one = jump(MULTIPLIER, 1, steps, WORD)
        for at in range(0, self.state_words, 2):
            t, w, polynomial, c = *block[at : at + 2], *block[self.state_words + at : self.state_words + at + 2]
            modulus = WORD | polynomial
            words += [product(power_of_z(steps, modulus), t, modulus), (total * w + shift_by_one * c) % WORD]
        return words

    def faults(self, block: Sequence[int], steps: int, found: Sequence[int]) -> list[Fault]:
        return unequal(self.after(block, steps), found, _place)


def _place(word: int) -> str:
    return f"{'sum' if word % 2 else 'decisions'} of stream {word // 2}"


def build(target: InstructionClass, *, text: str | None = None) -> ChainProgram:
    """Compile the kernel; `text` replaces it (a test's broken variant)."""
    return ChainProgram(Branches(), target, text=text)
