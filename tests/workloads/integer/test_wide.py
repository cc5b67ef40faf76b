"""The 128-bit streams compute what their closed form says, as an independent generator does; no wrong bit is lost."""

from __future__ import annotations

import random

import pytest
from chain_parts import WORD, inverted, rounds_are_clean_but_for_a_drill, run, spoilt_is_refused, words_wrong
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.random import PCG64, PCG64DXSM
from test_native import instructions, loops, widths

from soakd.workloads import ir
from soakd.workloads.classes import CLASSES
from soakd.workloads.closedform import jump
from soakd.workloads.integer import wide

SCALAR = CLASSES["scalar"]
CHAIN = wide.Wide()
CHEAP_MULTIPLIER = 0xDA942042E4DD58B5
"""The 64-bit multiplier of the variant generator; ours is the full one."""

large = st.integers(0, wide.MODULUS - 1)
blocks = st.builds(
    CHAIN.block,
    st.tuples(*[large] * wide.STREAMS),
    st.tuples(*[large.map(lambda value: value | 1)] * wide.STREAMS),
    st.tuples(*[large] * wide.STREAMS),
)


@pytest.fixture(scope="module")
def program():
    return wide.build(SCALAR)


def stepped(block: list[int], steps: int) -> list[int]:
    values = [low + WORD * high for low, high in zip(block[::2], block[1::2], strict=True)]
    x, a, c = (values[at : at + wide.STREAMS] for at in (0, wide.STREAMS, 2 * wide.STREAMS))
    for _ in range(steps):
        x = [(value * m + plus) % wide.MODULUS for value, m, plus in zip(x, a, c, strict=True)]
    return [word for value in x for word in (value % WORD, value // WORD)]


@settings(max_examples=120, deadline=None)
@given(block=blocks, counts=st.integers(1, 12))
def test_kernel_closed_form_and_plain_stepping_agree_bit_for_bit(program, block, counts):
    steps = counts * wide.UNROLL
    assert run(program, block, counts) == stepped(block, steps) == CHAIN.after(block, steps)


def advanced(generator, state: int, increment: int, steps: int) -> int:
    """Where another implementation's generator stands after `steps`."""
    inner = {"state": state, "inc": increment}
    generator.state = {"bit_generator": type(generator).__name__, "state": inner, "has_uint32": 0, "uinteger": 0}
    return generator.advance(steps).state["state"]["state"]


@pytest.mark.parametrize("counts", [1, 3, 100_003])
def test_with_the_published_multiplier_every_stream_is_numpy_s_generator(program, counts):
    rng = random.Random(counts)
    states = [rng.getrandbits(128) for _ in range(wide.STREAMS)]
    increments = [rng.getrandbits(128) | 1 for _ in range(wide.STREAMS)]
    block = CHAIN.block(states, [wide.PUBLISHED_MULTIPLIER] * wide.STREAMS, increments)
    found = run(program, block, counts)
    steps = counts * wide.UNROLL
    theirs = [advanced(PCG64(), x, c, steps) for x, c in zip(states, increments, strict=True)]
    assert [found[2 * i] + WORD * found[2 * i + 1] for i in range(wide.STREAMS)] == theirs


def test_the_published_multiplier_is_the_default_generator_s_and_not_its_cheap_variant_s():
    assert wide.PUBLISHED_MULTIPLIER != CHEAP_MULTIPLIER
    for generator, multiplier in ((PCG64(), wide.PUBLISHED_MULTIPLIER), (PCG64DXSM(), CHEAP_MULTIPLIER)):
        total, shift = jump(multiplier, 7, 10**12, wide.MODULUS)
        assert advanced(generator, 11, 7, 10**12) == (total * 11 + shift) % wide.MODULUS


def test_fresh_operands_are_new_and_their_multipliers_odd():
    drawn = [CHAIN.fresh() for _ in range(50)]
    assert len({tuple(block) for block in drawn}) == 50
    first = 2 * wide.STREAMS
    assert all(word % 2 for block in drawn for word in block[first : 2 * first : 2])


def test_every_single_bit_of_the_state_when_inverted_is_found_in_its_own_stream(program):
    """All 640 bits at eight moments: 5120 flips."""
    lost = 0
    for word, block, steps, found in inverted(program, CHAIN, random.Random(1), 8):
        wrong = words_wrong(CHAIN.after(block, steps), found)
        lost += not wrong
        assert {at // 2 for at in wrong} <= {word // 2}
    assert lost == 0


def test_a_clean_round_has_no_fault_and_a_drill_exactly_the_one_asked_for(program):
    rounds_are_clean_but_for_a_drill(program, CHAIN, 64 * 7 + 3, "word of stream 3")


@pytest.mark.parametrize(
    ("old", "new"),
    [("%mt3_1 = mul", "%mt3_1 = add"), ("i128 %v4, %k4", "i128 %v4, %k3"), ("%mt7_2, %k7", "%mt7_2, %k8")],
)
def test_selfcheck_names_a_kernel_that_one_wrong_instruction_spoils(old, new):
    spoilt_is_refused(CHAIN, SCALAR, CHAIN.text(), old, new)


def test_selfcheck_accepts_the_right_kernel(program):
    assert program.selfcheck() is None


@pytest.mark.parametrize(
    ("where", "long", "short"), [("x86-64", {"mulq"}, {"imulq"}), ("aarch64", {"umulh"}, {"mul", "madd"})]
)
def test_the_loop_is_scalar_and_has_every_multiplication_of_a_step(where, long, short):
    (body,) = loops(ir.assembly(CHAIN.text(), SCALAR, where))
    seen = instructions(body)
    assert not widths(body)
    assert not {"call", "callq", "bl"} & set(seen)
    each = wide.STREAMS * wide.UNROLL
    # The low half of a long product is an instruction of its own where the long one returns the high half only.
    short_each = 2 if where == "x86-64" else 3
    assert sum(op in long for op in seen) == each
    assert sum(op in short for op in seen) == short_each * each
