"""The integer kernel computes what its closed form says, and no wrong bit of its state is lost."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soakd.errors import WorkloadError
from soakd.workloads.base import Flip
from soakd.workloads.chain import unequal
from soakd.workloads.classes import CLASSES, architecture
from soakd.workloads.integer import streams as integer

WORD = 1 << 64
SCALAR = CLASSES["scalar"]
NATIVE = "portable" if architecture() != "x86-64" else "ordered"
TEXTS = {"portable": integer.portable_text(), **({} if NATIVE == "portable" else {"ordered": integer.x86_text()})}

words = st.integers(0, WORD - 1)
operands = st.builds(
    integer.Operands,
    state=st.tuples(*[words] * integer.STATE_WORDS),
    multipliers=st.tuples(*[words.map(lambda word: word | 1)] * integer.STREAMS),
    increment=words.map(lambda word: word | 1),
)


@pytest.fixture(scope="module", params=sorted(TEXTS))
def program(request):
    return integer.build(SCALAR, text=TEXTS[request.param])


def no_beat() -> None:
    """These tests watch no heartbeat."""


def stepped(start: integer.Operands, steps: int) -> tuple[int, ...]:
    """The recurrence by plain stepping: independent of kernel and closed form."""
    x, sums = list(start.state[:6]), list(start.state[6:])
    for _ in range(steps):
        x = [(value * a + start.increment) % WORD for value, a in zip(x, start.multipliers, strict=True)]
        for i in (0, 2, 4, 0, 2, 4):
            sums[i] = (sums[i] + sums[i + 1]) % WORD
            sums[i + 1] = (sums[i + 1] + sums[i]) % WORD
    return (*x, *sums)


def run(program, start: integer.Operands, blocks: int) -> tuple[int, ...]:
    task = program.task(memory_bytes=0, beat=no_beat)
    task.load(start.block())
    task.advance(blocks)
    return tuple(task.state())


@settings(max_examples=150, deadline=None)
@given(start=operands, blocks=st.integers(1, 24))
def test_kernel_closed_form_and_plain_stepping_agree_bit_for_bit(program, start, blocks):
    steps = blocks * integer.UNROLL
    assert run(program, start, blocks) == stepped(start, steps) == start.after(steps)


def test_kernel_and_closed_form_agree_after_many_millions_of_steps(program):
    for _ in range(5):
        start = integer.Operands.fresh()
        assert run(program, start, 400_003) == start.after(400_003 * integer.UNROLL)


def test_fresh_operands_are_new_and_make_the_maps_injective():
    drawn = [integer.Operands.fresh() for _ in range(50)]
    assert len({start.state for start in drawn}) == 50
    assert all(a % 2 for start in drawn for a in (*start.multipliers, start.increment))


def test_every_single_bit_of_the_state_when_inverted_is_found_in_its_own_word(program):
    """All 768 bits at eight moments: 6144 flips, none lost."""
    task, rng = program.task(memory_bytes=0, beat=no_beat), random.Random(1)
    for _ in range(8):
        start, before, after = integer.Operands.fresh(), rng.randint(1, 50), rng.randint(1, 50)
        right = start.after((before + after) * integer.UNROLL)
        for bit in range(64 * integer.STATE_WORDS):
            task.load(start.block())
            task.advance(before)
            task.invert(bit)
            task.advance(after)
            wrong = {fault.where for fault in unequal(right, task.state(), integer.place_of)}
            word = bit // 64
            if word < integer.STREAMS:
                assert wrong == {f"stream {word}"}
            else:
                pair = (word - integer.STREAMS) // 2
                assert wrong
                assert wrong <= {f"first sum of pair {pair}", f"second sum of pair {pair}"}


def test_a_clean_round_has_no_fault_and_a_drill_exactly_the_one_asked_for(program):
    task, beats = program.task(memory_bytes=0, beat=no_beat), []
    clean = task.round(0.02, lambda: beats.append(1))
    assert (clean.fault_count, clean.faults, clean.sweeps) == (0, (), 0)
    assert clean.operations > 0
    assert clean.operations % (integer.UNROLL * integer.OPERATIONS_PER_STEP) == 0
    assert beats
    drilled = task.round(0.02, no_beat, Flip(bit=64 * 3 + 5 + 64 * integer.STATE_WORDS * 7))
    assert [fault.where for fault in drilled.faults] == ["stream 3"]
    assert drilled.faults[0].flipped != 0
    assert task.round(0.02, no_beat).fault_count == 0


def broken(kind: str) -> str:
    text = TEXTS[NATIVE]
    changes = {
        "ordered": {
            "multiplier": ("imulq 104(%rdi), %rax", "imulq 112(%rdi), %rax"),
            "sum": ("addq %r15, %r14", "subq %r15, %r14"),
        },
        "portable": {
            "multiplier": ("mul i64 %xt3_1, %k2", "mul i64 %xt3_1, %k1"),
            "sum": ("%yt3_1_1 = add", "%yt3_1_1 = sub"),
        },
    }
    old, new = changes[NATIVE][kind]
    assert old in text
    return text.replace(old, new, 1)


@pytest.mark.parametrize("kind", ["multiplier", "sum"])
def test_selfcheck_names_a_kernel_that_one_wrong_instruction_spoils(kind):
    with pytest.raises(WorkloadError, match="kernel 'integer/streams' computes wrongly"):
        integer.build(SCALAR, text=broken(kind)).selfcheck()


def test_selfcheck_accepts_the_right_kernel(program):
    assert program.selfcheck() is None


def test_an_order_that_leaves_work_out_is_refused():
    with pytest.raises(ValueError, match="leaves operations out"):
        integer.ordered_step(integer.ORDER[:-1])


def test_the_order_issues_every_operation_of_a_step_once():
    step = integer.ordered_step()
    assert len(step) == integer.OPERATIONS_PER_STEP
    assert sum(line.startswith("imulq") for line in step) == integer.STREAMS
