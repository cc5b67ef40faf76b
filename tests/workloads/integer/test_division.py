"""The dividing streams hold every quotient and remainder of a long division, and lose no wrong bit of their state."""

from __future__ import annotations

import math
import random

import pytest
from chain_parts import MASK, WORD, inverted, rounds_are_clean_but_for_a_drill, run, spoilt_is_refused, words_wrong
from hypothesis import given, settings
from hypothesis import strategies as st
from test_native import instructions, loops, widths

from soakd.workloads import ir
from soakd.workloads.chain import ChainProgram
from soakd.workloads.classes import CLASSES, architecture
from soakd.workloads.integer import division
from soakd.workloads.integer.division import STREAMS, UNROLL, Division

SCALAR = CLASSES["scalar"]
HERE = [32, 64] if architecture() == "x86-64" else [32]


@pytest.fixture(scope="module", params=HERE)
def chain(request):
    return Division(request.param)


@pytest.fixture(scope="module")
def program(chain):
    return ChainProgram(chain, SCALAR)


def stepped(block: list[int], steps: int) -> list[int]:
    """The definition, division by division."""
    state = []
    for at in range(0, 2 * STREAMS, 2):
        (s, x), (a, m) = block[at : at + 2], block[2 * STREAMS + at : 2 * STREAMS + at + 2]
        for _ in range(steps):
            q, x = divmod(a * x, m)
            s = (a * s + q) % WORD
        state += [s, x]
    return state


@st.composite
def blocks(draw, bits: int):
    """Operands of every size that the map allows, the largest and the smallest among them."""
    state, operands = [], []
    for _ in range(STREAMS):
        edge = st.integers(0, 1000)
        m = draw(st.one_of(st.integers(2, (1 << bits) - 1), edge.map(lambda gap: (1 << bits) - 1 - gap)))
        a = draw(st.integers(1, m - 1))
        a = next(value for value in range(a, 0, -1) if value % 2 and math.gcd(value, m) == 1)
        x = draw(st.one_of(st.integers(0, m - 1), edge.map(lambda gap, m=m: max(0, m - 1 - gap))))
        state += [draw(st.integers(0, MASK)), x]
        operands += [a, m]
    return [*state, *operands]


@settings(max_examples=120, deadline=None)
@given(data=st.data(), counts=st.integers(1, 12))
def test_kernel_closed_form_and_plain_division_agree_bit_for_bit(chain, program, data, counts):
    block, steps = data.draw(blocks(chain.bits)), counts * UNROLL
    assert run(program, block, counts) == stepped(block, steps) == chain.after(block, steps)


def test_hundreds_of_thousands_of_divisions_end_on_their_closed_form(chain, program):
    for _ in range(3):
        block = chain.fresh()
        assert run(program, block, 20_011) == chain.after(block, 20_011 * UNROLL)


@pytest.mark.parametrize("bits", [32, 64])
def test_fresh_operands_are_new_coprime_and_cannot_trap(bits):
    """a < m, so that the high half of a*x is below m for any x: the quotient fits."""
    chain = Division(bits)
    drawn = [chain.fresh() for _ in range(200)]
    assert len({tuple(block) for block in drawn}) == 200
    for block in drawn:
        for at in range(0, 2 * STREAMS, 2):
            (_, x), (a, m) = block[at : at + 2], block[2 * STREAMS + at : 2 * STREAMS + at + 2]
            assert m.bit_length() == bits
            assert x < m
            assert 0 < a < m
            assert a % 2
            assert math.gcd(a, m) == 1
            assert a * MASK // WORD < m


def test_every_single_bit_of_the_state_when_inverted_is_found_in_its_own_stream(chain, program):
    """All 512 bits at eight moments, also those that make a remainder larger than its modulus: 4096 flips."""
    for word, block, steps, found in inverted(program, chain, random.Random(1), 8):
        wrong = words_wrong(chain.after(block, steps), found)
        assert wrong
        assert {at // 2 for at in wrong} == {word // 2}


def test_a_clean_round_has_no_fault_and_a_drill_exactly_the_one_asked_for(chain, program):
    rounds_are_clean_but_for_a_drill(program, chain, 64 * 5 + 63, "of stream 2")


SPOILT = {
    64: [("%st3_1 = add", "%st3_1 = sub"), ("i64 %hight2_0, i64 %k1)", "i64 %hight2_0, i64 %k3)")],
    32: [("%rt3_1 = urem", "%rt3_1 = udiv"), ("udiv i64 %productt1_2, %k5", "udiv i64 %productt1_2, %k7")],
}


@pytest.mark.parametrize(("bits", "old", "new"), [(bits, *pair) for bits in HERE for pair in SPOILT[bits]])
def test_selfcheck_names_a_kernel_that_one_wrong_instruction_spoils(bits, old, new):
    spoilt_is_refused(Division(bits), SCALAR, Division(bits).text(), old, new)


def test_selfcheck_accepts_the_right_kernel(program):
    assert program.selfcheck() is None


def test_what_is_built_is_the_longest_division_of_this_architecture():
    assert division.here().bits == max(HERE)
    assert division.build(SCALAR).selfcheck() is None


@pytest.mark.parametrize(("bits", "where", "name"), [(64, "x86-64", "divq"), (32, "aarch64", "udiv")])
def test_the_loop_is_scalar_and_divides_with_the_divider_once_per_stream_and_step(bits, where, name):
    (body,) = loops(ir.assembly(Division(bits).text(), SCALAR, where))
    seen = instructions(body)
    assert not widths(body)
    assert not {"call", "callq", "bl"} & set(seen)
    assert seen.count(name) == STREAMS * UNROLL
