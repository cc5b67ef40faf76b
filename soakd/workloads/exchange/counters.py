"""Counters: all cores add their own streams into the same few words, with an atomic addition each.

Seat s evolves x -> a*x + c modulo 2^64 from a start of its own and adds every value, in turn, into sixteen words, each
on a line of its own, so that every line is wanted by all cores all the time.  Additions modulo 2^64 commute: whatever
the order, word w must end as its start plus, over all seats, x_w + x_(w + 16) + x_(w + 32) ..., which is a sum along
the recurrence with stride 16 (a^16, and c to match), known by doubling.  An addition that is lost, done twice, or done
on an old copy of the line changes that sum by a value of the stream, which is 0 once in 2^64; one wrong bit changes it
by a power of two; nothing that is added later can heal either.  Two errors in one word would have to cancel in all 64
bits.  Own derivation.

The old value that each addition returns is compared with what this seat last left there: where they differ, another
seat has written in between, so that the line really came over from another core; these are counted.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from soakd.splitmix import split_mix
from soakd.workloads.base import Fault
from soakd.workloads.closedform import WORD, jump, jump_sum
from soakd.workloads.exchange.area import LINE_WORDS, Area
from soakd.workloads.exchange.joint import OPERANDS, JointProgram, Part, generator
from soakd.workloads.exchange.turns import turns_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.workloads.blocks import Block
    from soakd.workloads.classes import InstructionClass

WORDS: Final = 16
BASE, MULTIPLIER, INCREMENT, STREAM, TURNS, HANDED, LAST = range(7)
"""Words of a seat's block: address of the shared words, operands, the stream's place, turns of all words done,
additions that found another seat's, and then what this seat last left in each word."""


def place_of(word: int) -> int:
    """Where a counter lies in the area: on a line of its own, which nearly every addition then has to fetch."""
    return word * LINE_WORDS


def _addition(word: int) -> list[str]:
    x, before = f"%x{word + 1}", f"%x{word}"
    return [
        f"%m{word} = mul i64 {before}, %a",
        f"{x} = add i64 %m{word}, %c",
        f"%w{word} = getelementptr i64, ptr %shared, i64 {place_of(word)}",
        f"%old{word} = atomicrmw add ptr %w{word}, i64 {before} seq_cst",
        f"%last{word}.at = getelementptr i64, ptr %block, i64 {LAST + word}",
        f"%last{word} = load i64, ptr %last{word}.at",
        f"%new{word} = add i64 %old{word}, {before}",
        f"store i64 %new{word}, ptr %last{word}.at",
        f"%differs{word} = icmp ne i64 %old{word}, %last{word}",
        f"%one{word} = zext i1 %differs{word} to i64",
        f"%handed{word + 1} = add i64 %handed{word}, %one{word}",
    ]


def kernel_text() -> str:
    """`count` turns: one addition to each word."""
    return turns_text(
        {"a": MULTIPLIER, "c": INCREMENT, "stream": STREAM, "handed": HANDED, "turns": TURNS},
        carried={"%x0": ("%stream", f"%x{WORDS}"), "%handed0": ("%handed", f"%handed{WORDS}")},
        turn=[line for word in range(WORDS) for line in _addition(word)],
        done=[
            "%turned = add i64 %turns, %count",
            "store i64 %turned, ptr %turns.at",
            f"store i64 %x{WORDS}, ptr %stream.at",
            f"store i64 %handed{WORDS}, ptr %handed.at",
        ],
    )


class Counters:
    """The exchange."""

    name = "exchange/counters (scalar)"
    record_words = WORDS
    closing_count = 0

    def text(self) -> str:
        return kernel_text()

    def shared_words(self, workers: int) -> int:  # noqa: ARG002  (the same for any number)
        return WORDS * LINE_WORDS

    def lay(self, seed: int, workers: int, shared: Area) -> None:
        for word in range(WORDS):
            shared.put(place_of(word), [split_mix(seed, OPERANDS + workers + word)])

    def block(self, part: Part, address: int) -> list[int]:
        a, c = generator(part.seed)
        return [address, a, c, split_mix(part.seed, OPERANDS + part.seat), 0, 0, *[0] * WORDS]

    def done(self, block: Block) -> int:
        return block[TURNS] * WORDS

    def close(self, part: Part, block: Block) -> list[int]:
        """What this seat must have added to each word."""
        a, c = generator(part.seed)
        x, added = split_mix(part.seed, OPERANDS + part.seat), []
        scale, offset = jump_sum(*jump(a, c, WORDS, WORD), block[TURNS], WORD)
        for _ in range(WORDS):
            added.append((scale * x + offset) % WORD)
            x = (a * x + c) % WORD
        return added

    def faults(
        self,
        part: Part,
        block: Block,  # noqa: ARG002  (the check is on the shared words)
        shared: Area,
        records: Sequence[Sequence[int]],
    ) -> tuple[int, list[Fault]]:
        wrong = []
        for word in range(part.seat, WORDS, part.workers):
            start = split_mix(part.seed, OPERANDS + part.workers + word)
            expected = (start + sum(record[word] for record in records)) % WORD
            actual = shared[place_of(word)]
            if actual != expected:
                wrong.append(Fault(where=f"counter {word} of {WORDS}", expected=expected, actual=actual))
        return len(wrong), wrong

    def plant(self, part: Part, bit: int, block: Block, shared: Area) -> None:  # noqa: ARG002
        word, place = divmod(bit % (64 * WORDS), 64)
        shared.xor(place_of(word), 1 << place)


def build(target: InstructionClass, *, text: str | None = None) -> JointProgram:
    """Compile the kernel; `text` replaces it (a test's broken variant)."""
    return JointProgram(Counters(), target, text=text)
