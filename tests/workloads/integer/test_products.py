"""The modular products compute what pow() says, stay within their bound, and lose no wrong bit of their state."""

from __future__ import annotations

import random

import pytest
from chain_parts import MASK, WORD, inverted, rounds_are_clean_but_for_a_drill, run, spoilt_is_refused
from hypothesis import given, settings
from hypothesis import strategies as st
from test_native import instructions, loops, widths

from soakd.workloads import ir
from soakd.workloads.classes import CLASSES, architecture
from soakd.workloads.integer import products
from soakd.workloads.integer.products import MULTIPLIER_BOUND, PRIME, STATE_BOUND, STREAMS, UNROLL

SCALAR = CLASSES["scalar"]
CHAIN = products.Products()
TEXTS = {"portable": products.portable_text()} | (
    {"ordered": products.x86_text()} if architecture() == "x86-64" else {}
)

edge = st.integers(0, 1000)
lazy = st.one_of(st.integers(0, STATE_BOUND - 1), edge.map(lambda gap: STATE_BOUND - 1 - gap))
multiplier = st.one_of(st.integers(1, MULTIPLIER_BOUND - 1), edge.map(lambda gap: MULTIPLIER_BOUND - 1 - gap))
odd = st.integers(0, MASK).map(lambda word: word | 1)
blocks = st.builds(
    lambda *parts: [word for part in parts for word in part],
    st.tuples(*[lazy] * STREAMS),
    st.tuples(*[st.integers(0, MASK)] * STREAMS),
    st.tuples(*[multiplier.map(lambda a: 8 * a)] * STREAMS),
    st.tuples(*[odd] * STREAMS),
)


@pytest.fixture(scope="module", params=sorted(TEXTS))
def program(request):
    return products.build(SCALAR, text=TEXTS[request.param])


def stepped(block: list[int], steps: int) -> list[int]:
    """The recurrence by plain stepping: the lazy words themselves, where the closed form has their residues."""
    x, y, a, b = (block[at : at + STREAMS] for at in range(0, 4 * STREAMS, STREAMS))
    for _ in range(steps):
        x = [(value * m // WORD) + (value * m % WORD) // 8 for value, m in zip(x, a, strict=True)]
        y = [value * m % WORD for value, m in zip(y, b, strict=True)]
    return [*x, *y]


@settings(max_examples=120, deadline=None)
@given(block=blocks, counts=st.integers(1, 12))
def test_kernel_closed_form_and_plain_stepping_agree_bit_for_bit(program, block, counts):
    steps = counts * UNROLL
    found, plain = run(program, block, counts), stepped(block, steps)
    assert found == plain
    assert max(found[:STREAMS]) < STATE_BOUND
    assert [x % PRIME for x in plain[:STREAMS]] + plain[STREAMS:] == CHAIN.after(block, steps)
    assert not CHAIN.faults(block, steps, found)


def test_many_millions_of_steps_end_on_their_closed_form(program):
    for _ in range(3):
        block = CHAIN.fresh()
        assert not CHAIN.faults(block, 300_007 * UNROLL, run(program, block, 300_007))


def test_the_modulus_is_prime():
    """Lucas and Lehmer: 2^q - 1 is prime if and only if s_(q-2) = 0, s_0 = 4, s' = s^2 - 2 (D. H. Lehmer, 1930)."""
    s = 4
    for _ in range(61 - 2):
        s = (s * s - 2) % PRIME
    assert s == 0
    assert PRIME.bit_count() == PRIME.bit_length() == 61


def test_fresh_operands_are_new_and_within_the_proof():
    drawn = [CHAIN.fresh() for _ in range(100)]
    assert len({tuple(block) for block in drawn}) == 100
    for block in drawn:
        x, y, a, b = (block[at : at + STREAMS] for at in range(0, 4 * STREAMS, STREAMS))
        assert all(0 < value < PRIME for value in x)
        assert all(value % 2 for value in y)
        assert all(m % 8 == 0 and 0 < m // 8 < MULTIPLIER_BOUND for m in a)
        assert all(m % 8 == 5 and m < WORD for m in b)


def test_every_single_bit_of_the_state_when_inverted_is_found_in_its_own_stream(program):
    """All 640 bits at six moments: 3840 flips."""
    for word, block, steps, found in inverted(program, CHAIN, random.Random(1), 6):
        modulus = "2^61 - 1" if word < STREAMS else "2^64"
        (fault,) = CHAIN.faults(block, steps, found)
        assert fault.where == f"stream {word % STREAMS} modulo {modulus}"


def test_both_lazy_words_of_a_residue_are_accepted_and_nothing_beyond_the_bound():
    block = CHAIN.fresh()
    right = CHAIN.after(block, 8)
    for times, fine in ((0, True), (1, True), (2, right[0] < 2), (3, False)):
        found = [right[0] + times * PRIME, *right[1:]]
        assert (not CHAIN.faults(block, 8, found)) is fine


def test_a_clean_round_has_no_fault_and_a_drill_exactly_the_one_asked_for(program):
    rounds_are_clean_but_for_a_drill(program, CHAIN, 64 * 2 + 60, "stream 2 modulo 2^61 - 1")
    rounds_are_clean_but_for_a_drill(program, CHAIN, 64 * (STREAMS + 4), "stream 4 modulo 2^64")


SPOILT = {
    "ordered": [("shrq $3", "shrq $2"), ("imulq 152(%rdi), %r15", "imulq 144(%rdi), %r15"), ("mulq 80", "mulq 88")],
    "portable": [
        ("%partt3_1 = lshr i64 %lowt3_1, 3", "%partt3_1 = lshr i64 %lowt3_1, 2"),
        ("%xt7_4 = add", "%xt7_4 = sub"),
        ("%byt5_0 = mul i64 %yt4_0, %k5", "%byt5_0 = mul i64 %yt4_0, %k6"),
    ],
}


@pytest.mark.parametrize(("kind", "old", "new"), [(kind, *pair) for kind in TEXTS for pair in SPOILT[kind]])
def test_selfcheck_names_a_kernel_that_one_wrong_instruction_spoils(kind, old, new):
    spoilt_is_refused(CHAIN, SCALAR, TEXTS[kind], old, new)


def test_selfcheck_accepts_the_right_kernel(program):
    assert program.selfcheck() is None


@pytest.mark.parametrize(("where", "multiplies"), [("x86-64", {"mulq", "imulq"}), ("aarch64", {"mul", "umulh"})])
def test_the_portable_loop_is_scalar_and_leaves_out_no_multiplication(where, multiplies):
    """A compiler that may take (y*b)*b for y*(b*b) multiplies less than the step says."""
    (body,) = loops(ir.assembly(products.portable_text(), SCALAR, where))
    seen = instructions(body)
    assert not widths(body)
    assert not {"call", "callq", "bl"} & set(seen)
    per_pair = 2 if where == "x86-64" else 3  # aarch64 takes two instructions for the two halves of a product
    assert sum(op in multiplies for op in seen) == per_pair * STREAMS * UNROLL


def test_the_ordered_loop_has_every_multiplication_and_no_vector_register():
    text = products.x86_text()
    assert text.count('"imulq ') == STREAMS * UNROLL
    assert text.count('"mulq ') == STREAMS * UNROLL
    assert not widths(text)
