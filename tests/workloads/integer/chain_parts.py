"""What every integer chain is asked: run it, invert its bits at random moments, spoil its text."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from soakd.errors import WorkloadError
from soakd.workloads.base import Flip
from soakd.workloads.chain import ChainProgram

if TYPE_CHECKING:
    import random
    from collections.abc import Iterator

    from soakd.workloads.chain import Chain
    from soakd.workloads.classes import InstructionClass

WORD = 1 << 64
MASK = WORD - 1


def no_beat() -> None:
    """These tests watch no heartbeat."""


def run(program: ChainProgram, block: list[int], counts: int) -> list[int]:
    task = program.task(memory_bytes=0, beat=no_beat)
    task.load(block)
    task.advance(counts)
    return list(task.state())


def inverted(
    program: ChainProgram, chain: Chain, rng: random.Random, moments: int
) -> Iterator[tuple[int, list[int], int, list[int]]]:
    """Every bit of the state at each of so many moments: the word that holds it, block, steps, and the final state."""
    task = program.task(memory_bytes=0, beat=no_beat)
    for _ in range(moments):
        block, before, after = chain.fresh(), rng.randint(1, 12), rng.randint(1, 12)
        steps = (before + after) * chain.steps_per_count
        for bit in range(64 * chain.state_words):
            task.load(block)
            task.advance(before)
            task.invert(bit)
            task.advance(after)
            yield bit // 64, block, steps, task.state()


def words_wrong(right: list[int], found: list[int]) -> set[int]:
    return {word for word, (want, got) in enumerate(zip(right, found, strict=True)) if want != got}


def rounds_are_clean_but_for_a_drill(program: ChainProgram, chain: Chain, bit: int, place: str) -> None:
    """A round finds nothing; with one bit inverted half-way, something in `place` and nowhere else; then nothing."""
    task, beats = program.task(memory_bytes=0, beat=no_beat), []
    clean = task.round(0.02, lambda: beats.append(1))
    assert (clean.fault_count, clean.faults, clean.sweeps) == (0, (), 0)
    assert clean.operations > 0
    assert clean.operations % (chain.steps_per_count * chain.operations_per_step) == 0
    assert beats
    drilled = task.round(0.02, no_beat, Flip(bit=bit))
    assert drilled.fault_count
    assert all(place in fault.where and fault.flipped for fault in drilled.faults)
    assert task.round(0.02, no_beat).fault_count == 0


def spoilt_is_refused(chain: Chain, target: InstructionClass, text: str, old: str, new: str) -> None:
    """One wrong instruction, and the self-check names the kernel."""
    assert old in text
    with pytest.raises(WorkloadError, match=r"kernel '.*' computes wrongly") as refused:
        ChainProgram(chain, target, text=text.replace(old, new, 1)).selfcheck()
    assert chain.name in str(refused.value)
