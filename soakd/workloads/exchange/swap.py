"""Swap: all cores push the same words one step further, each step a compare-and-swap.

Word w evolves by x -> a*x + c modulo 2^64 (a = 5 modulo 8, c odd: a bijection of full period 2^64).  A seat reads the
word, computes its successor and swaps it in if nobody else was faster; then it turns to the next of eight words, two
on each of four lines.  Each seat counts its successes on each word.  If N is their sum over all seats, the word must
end N steps from its start, known by doubling, whoever took them.  Two swaps that both "succeed" on one value, a swap
that was reported and not done, or done and not reported, leave a word that is not N steps on: within a period all
values differ.  A wrong bit stays wrong because the map is a bijection.  Own derivation.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from soakd.splitmix import split_mix
from soakd.workloads.base import Fault
from soakd.workloads.closedform import WORD, jump
from soakd.workloads.exchange.area import LINE_WORDS, Area
from soakd.workloads.exchange.joint import OPERANDS, JointProgram, Part, generator
from soakd.workloads.exchange.turns import turns_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.workloads.blocks import Block
    from soakd.workloads.classes import InstructionClass

WORDS: Final = 8
LINES: Final = 4
BASE, MULTIPLIER, INCREMENT, HANDED, SWAPS = range(5)
LAST: Final = SWAPS + WORDS
"""Words of a seat's block: address of the shared words, operands, swaps onto another seat's value, successes on each
word, and what this seat last left in each."""


def place_of(word: int) -> int:
    """Where a word lies in the area: the next one is on the next line."""
    return word % LINES * LINE_WORDS + word // LINES


def _attempt(word: int) -> list[str]:
    return [
        f"%w{word} = getelementptr i64, ptr %shared, i64 {place_of(word)}",
        f"%seen{word} = load atomic i64, ptr %w{word} monotonic, align 8",
        f"%m{word} = mul i64 %seen{word}, %a",
        f"%next{word} = add i64 %m{word}, %c",
        f"%pair{word} = cmpxchg ptr %w{word}, i64 %seen{word}, i64 %next{word} seq_cst monotonic",
        f"%ok{word} = extractvalue {{ i64, i1 }} %pair{word}, 1",
        f"%one{word} = zext i1 %ok{word} to i64",
        f"%swaps{word}.at = getelementptr i64, ptr %block, i64 {SWAPS + word}",
        f"%swaps{word} = load i64, ptr %swaps{word}.at",
        f"%more{word} = add i64 %swaps{word}, %one{word}",
        f"store i64 %more{word}, ptr %swaps{word}.at",
        f"%last{word}.at = getelementptr i64, ptr %block, i64 {LAST + word}",
        f"%last{word} = load i64, ptr %last{word}.at",
        f"%mine{word} = select i1 %ok{word}, i64 %next{word}, i64 %last{word}",
        f"store i64 %mine{word}, ptr %last{word}.at",
        f"%foreign{word} = icmp ne i64 %seen{word}, %last{word}",
        f"%won{word} = and i1 %foreign{word}, %ok{word}",
        f"%two{word} = zext i1 %won{word} to i64",
        f"%handed{word + 1} = add i64 %handed{word}, %two{word}",
    ]


def kernel_text() -> str:
    """`count` turns: one attempt on each word."""
    return turns_text(
        {"a": MULTIPLIER, "c": INCREMENT, "handed": HANDED},
        carried={"%handed0": ("%handed", f"%handed{WORDS}")},
        turn=[line for word in range(WORDS) for line in _attempt(word)],
        done=[f"store i64 %handed{WORDS}, ptr %handed.at"],
    )


class Swap:
    """The exchange."""

    name = "exchange/swap (scalar)"
    record_words = WORDS
    closing_count = 0

    def text(self) -> str:
        return kernel_text()

    def shared_words(self, workers: int) -> int:  # noqa: ARG002  (the same for any number)
        return LINES * LINE_WORDS

    def lay(self, seed: int, workers: int, shared: Area) -> None:  # noqa: ARG002  (the same for any number)
        for word in range(WORDS):
            shared.put(place_of(word), [split_mix(seed, OPERANDS + word)])

    def block(self, part: Part, address: int) -> list[int]:
        return [address, *generator(part.seed), 0, *[0] * (2 * WORDS)]

    def done(self, block: Block) -> int:
        return sum(block[SWAPS : SWAPS + WORDS])

    def close(self, part: Part, block: Block) -> list[int]:  # noqa: ARG002
        """Successes on each word."""
        return block[SWAPS : SWAPS + WORDS]

    def faults(
        self,
        part: Part,
        block: Block,  # noqa: ARG002  (the check is on the shared words)
        shared: Area,
        records: Sequence[Sequence[int]],
    ) -> tuple[int, list[Fault]]:
        wrong = []
        for word in range(part.seat, WORDS, part.workers):
            swaps = sum(record[word] for record in records)
            scale, offset = jump(*generator(part.seed), swaps, WORD)
            expected = (scale * split_mix(part.seed, OPERANDS + word) + offset) % WORD
            actual = shared[place_of(word)]
            if actual != expected:
                wrong.append(
                    Fault(where=f"word {word} of {WORDS} after {swaps} swaps", expected=expected, actual=actual)
                )
        return len(wrong), wrong

    def plant(self, part: Part, bit: int, block: Block, shared: Area) -> None:  # noqa: ARG002
        word, place = divmod(bit % (64 * WORDS), 64)
        shared.xor(place_of(word), 1 << place)


def build(target: InstructionClass, *, text: str | None = None) -> JointProgram:
    """Compile the kernel; `text` replaces it (a test's broken variant)."""
    return JointProgram(Swap(), target, text=text)
