"""Sharing: every core evolves a word of its own with plain loads and stores, in lines that it shares with seven others.

Each eight seats share sixteen lines; seat s owns word s modulo 8 of each and takes it from x to a*x + c modulo 2^64
again and again, a load and a store each time.  Nobody else writes that word, so it must end a known number of steps
from its start, by doubling; but each store needs the whole line, which the other seats keep taking away.  A store that
is lost, torn, or merged into an old copy of the line leaves the word behind or mixed; the map is a bijection of full
period, so it can never come right again.  Words that belong to no seat must stay as they were.  Own derivation.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from soakd.splitmix import split_mix
from soakd.workloads.base import Fault
from soakd.workloads.closedform import WORD, jump
from soakd.workloads.exchange.area import LINE_BYTES, LINE_WORDS, Area
from soakd.workloads.exchange.joint import OPERANDS, JointProgram, Part, generator
from soakd.workloads.exchange.turns import turns_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.workloads.blocks import Block
    from soakd.workloads.classes import InstructionClass

LINES: Final = 16
GROUP_WORDS: Final = LINES * LINE_WORDS
BASE, MULTIPLIER, INCREMENT, STEPS = range(4)
"""Words of a seat's block: address of its word in the first of its lines, operands, steps done."""


def first_word(seat: int) -> int:
    """A seat's word in the first of its lines."""
    group, place = divmod(seat, LINE_WORDS)
    return group * GROUP_WORDS + place


def words_of(seat: int) -> range:
    """Every word that a seat owns."""
    return range(first_word(seat), first_word(seat) + GROUP_WORDS, LINE_WORDS)


def _step(line: int) -> list[str]:
    return [
        f"%w{line} = getelementptr i8, ptr %shared, i64 {line * LINE_BYTES}",
        f"%x{line} = load atomic i64, ptr %w{line} monotonic, align 8",
        f"%m{line} = mul i64 %x{line}, %a",
        f"%y{line} = add i64 %m{line}, %c",
        f"store atomic i64 %y{line}, ptr %w{line} monotonic, align 8",
    ]


def kernel_text() -> str:
    """`count` steps of each owned word; monotonic accesses are plain loads and stores that may not be merged."""
    return turns_text(
        {"a": MULTIPLIER, "c": INCREMENT, "steps": STEPS},
        carried={},
        turn=[line for number in range(LINES) for line in _step(number)],
        done=["%stepped = add i64 %steps, %count", "store i64 %stepped, ptr %steps.at"],
    )


class Sharing:
    """The exchange."""

    name = "exchange/sharing (scalar)"
    record_words = 0
    closing_count = 0

    def text(self) -> str:
        return kernel_text()

    def shared_words(self, workers: int) -> int:
        return -(-workers // LINE_WORDS) * GROUP_WORDS

    def lay(self, seed: int, workers: int, shared: Area) -> None:
        shared.put(0, [split_mix(seed, OPERANDS + word) for word in range(self.shared_words(workers))])

    def block(self, part: Part, address: int) -> list[int]:
        return [address + 8 * first_word(part.seat), *generator(part.seed), 0]

    def done(self, block: Block) -> int:
        return block[STEPS] * LINES

    def close(self, part: Part, block: Block) -> list[int]:  # noqa: ARG002
        return []

    def faults(
        self,
        part: Part,
        block: Block,
        shared: Area,
        records: Sequence[Sequence[int]],  # noqa: ARG002  (a seat's steps are its own business)
    ) -> tuple[int, list[Fault]]:
        scale, offset = jump(*generator(part.seed), block[STEPS], WORD)
        expected = {
            word: (scale * split_mix(part.seed, OPERANDS + word) + offset) % WORD for word in words_of(part.seat)
        }  # fmt: skip
        if part.seat == part.workers - 1:
            for idle in range(part.workers, -(-part.workers // LINE_WORDS) * LINE_WORDS):
                expected |= {word: split_mix(part.seed, OPERANDS + word) for word in words_of(idle)}
        wrong = [
            Fault(where=f"word {word % LINE_WORDS} of line {word // LINE_WORDS}", expected=value, actual=shared[word])
            for word, value in expected.items()
            if shared[word] != value
        ]
        return len(wrong), wrong

    def plant(self, part: Part, bit: int, block: Block, shared: Area) -> None:  # noqa: ARG002
        """In a word of its own: another seat's may be between its load and its store, which would undo it."""
        line, place = divmod(bit % (64 * LINES), 64)
        shared.xor(words_of(part.seat)[line], 1 << place)


def build(target: InstructionClass, *, text: str | None = None) -> JointProgram:
    """Compile the kernel; `text` replaces it (a test's broken variant)."""
    return JointProgram(Sharing(), target, text=text)
