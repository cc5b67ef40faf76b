"""Integer and floating-point chains in one instruction stream: what `together` runs between two reads of memory.

The vector half is `vector/lanes`; the integer half two multiply-add streams and a pair of running sums in registers, as
in `integer/streams`. Their instructions alternate line by line. No result of one half enters the other, so each keeps
the closed form, and the proof that an error survives, of the kernel it comes from.
"""

from __future__ import annotations

import os
from operator import itemgetter
from typing import TYPE_CHECKING, Final

from soakd.workloads.chain import unequal
from soakd.workloads.closedform import WORD, jump, pair_after
from soakd.workloads.vector.lanes import Carried, Lanes, abreast, loops

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.workloads.base import Fault
    from soakd.workloads.classes import InstructionClass

STREAMS: Final = 2
INTEGER_WORDS: Final = STREAMS + 2
"""State of the integer half: the streams, then the pair."""
INTEGER_OPERATIONS: Final = 2 * STREAMS + 4
"""Of one step: a multiply and an addition a stream, four additions for the pair."""
_CONSTANTS: Final = STREAMS + 1
_TURN_STEPS: Final = {512: 3}
"""Integer steps beside one turn over vectors: as many as the issue width leaves room for."""


def _integer_step(state: Sequence[str], tag: str) -> tuple[list[str], list[str]]:
    streams, (first, second) = list(state[:STREAMS]), state[STREAMS:]
    lines: list[str] = []
    for i, value in enumerate(streams):
        lines += [f"%m{tag}_{i} = mul i64 {value}, %k{i}", f"%x{tag}_{i} = add i64 %m{tag}_{i}, %k{STREAMS}"]
        streams[i] = f"%x{tag}_{i}"
    for turn in range(2):
        lines += [f"%y{tag}_{turn} = add i64 {first}, {second}", f"%w{tag}_{turn} = add i64 {second}, %y{tag}_{turn}"]
        first, second = f"%y{tag}_{turn}", f"%w{tag}_{turn}"
    return lines, [*streams, first, second]


def woven(*parts: Sequence[str]) -> list[str]:
    """All lines, each part in its own order, spread evenly over the whole."""
    placed = [(i / len(part), line) for part in parts for i, line in enumerate(part)]
    return [line for _, line in sorted(placed, key=itemgetter(0))]


class Beside(Lanes):
    """The chain: the lanes' state, then the integer half's; the lanes' constants, then the integer half's."""

    vectors = 24
    """As many as are done in about the time that a group of words takes to come and go."""

    def __init__(self, target: InstructionClass) -> None:
        super().__init__(target)
        self.name = f"mixed/beside ({target.name})"
        self.lane_words = self.state_words
        self.state_words += INTEGER_WORDS
        self._turn_steps = _TURN_STEPS.get(target.register_bits, 1)
        self._steps_per_count = self.vectors // self._interleave * self._turn_steps
        self.operations_per_step += self._steps_per_count * INTEGER_OPERATIONS

    def text(self) -> str:
        names, integer = [f"%v.{i}" for i in range(INTEGER_WORDS)], []
        for turn in range(self._turn_steps):
            lines, names = _integer_step(names, f"t{turn}")
            integer += lines
        whole = loops(
            "double",
            self._lanes,
            woven(abreast(self._visits()), integer),
            vectors=(self.vectors, self._interleave),
            constants=self.state_words,
            carried=self._carried(names),
        )
        return "\n".join([*self._declared(*self._kind()), *whole])

    def _carried(self, ended: list[str]) -> Carried:
        """The integer half's words in the block, and the streams' constants, which stand behind all others."""
        state, constants = [f"%s{i}" for i in range(INTEGER_WORDS)], [f"%k{i}" for i in range(_CONSTANTS)]
        behind = self.state_words + self._lanes + 3
        places = [*range(self.lane_words, self.state_words), *range(behind, behind + _CONSTANTS)]
        words = dict(zip([*state, *constants], places, strict=True))
        return Carried(
            loaded=[
                *(
                    f"{name}.at = getelementptr i64, ptr %parameters, i64 {at}"
                    for name, at in zip(words, places, strict=True)
                ),
                *(f"{name} = load i64, ptr {name}.at" for name in words),
            ],
            begun=state,
            ended=ended,
            stored=[f"store i64 {name}, ptr {word}.at" for word, name in zip(state, ended, strict=True)],
        )

    def _joint(self, lanes: Sequence[int], state: Sequence[int], constants: Sequence[int]) -> list[int]:
        return [*lanes[: self.lane_words], *state, *lanes[self.lane_words :], *constants]

    def fresh(self) -> list[int]:
        words = [int.from_bytes(os.urandom(8), "little") for _ in range(INTEGER_WORDS + _CONSTANTS)]
        # Odd multipliers and an odd increment: that is what makes the streams injective.
        return self._joint(super().fresh(), words[:INTEGER_WORDS], [word | 1 for word in words[INTEGER_WORDS:]])

    def known(self) -> list[int]:
        state = [0x9E3779B97F4A7C15 * (i + 1) % WORD for i in range(INTEGER_WORDS)]
        return self._joint(super().known(), state, [0xD1342543DE82EF95, 0xF1357AEA2E62A9C5, 0x14057B7EF767814F])

    def faults(self, block: Sequence[int], steps: int, found: Sequence[int]) -> list[Fault]:
        split, end = self.lane_words, self.state_words
        lanes = [*block[:split], *block[end:-_CONSTANTS]]
        right = integers_after(block[split:end], block[-_CONSTANTS:], steps * self._steps_per_count)
        return super().faults(lanes, steps, found[:split]) + unequal(right, found[split:], place_of)


def integers_after(state: Sequence[int], constants: Sequence[int], steps: int) -> list[int]:
    """The integer half in closed form."""
    *multipliers, increment = constants
    after = []
    for value, multiplier in zip(state, multipliers, strict=False):
        total, shift = jump(multiplier, increment, steps, WORD)
        after.append((total * value + shift) % WORD)
    return [*after, *pair_after(state[-2], state[-1], 2 * steps)]


def place_of(word: int) -> str:
    """Name a word of the integer half."""
    return f"stream {word}" if word < STREAMS else f"{('first', 'second')[word - STREAMS]} sum"
