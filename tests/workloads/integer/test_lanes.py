"""The SIMD integer lanes compute what their closed forms say at every width, and lose no wrong bit of their state."""

from __future__ import annotations

import random
import re

import pytest
from chain_parts import MASK, inverted, rounds_are_clean_but_for_a_drill, run, spoilt_is_refused, words_wrong
from hypothesis import given, settings
from hypothesis import strategies as st
from test_native import instructions, loops, widths

from soakd.workloads import ir
from soakd.workloads.classes import CLASSES, available
from soakd.workloads.integer import lanes
from soakd.workloads.integer.lanes import UNROLL, Lanes

HALF = 1 << 32
ALL = ["vector-128", "vector-128-fma", "vector-256-fma", "vector-512"]
HERE = [name for name in available() if name in ALL]
MULTIPLY = re.compile(r"v?pmuludq|umull2?|umlal2?")


@pytest.fixture(scope="module", params=HERE)
def target(request):
    return CLASSES[request.param]


@pytest.fixture(scope="module")
def chain(target):
    return Lanes(target)


@pytest.fixture(scope="module")
def program(target):
    return lanes.build(target)


def carried(x: int, a: int) -> int:
    return a * (x % HALF) + x // HALF


def shifted(x: int) -> int:
    x ^= x << 13 & MASK
    x ^= x >> 7
    return x ^ (x << 17 & MASK)


def stepped(chain: Lanes, block: list[int], steps: int) -> list[int]:
    state, multipliers = block[: chain.state_words], block[chain.state_words :]
    first_shifted = chain.carried * chain.lanes
    for _ in range(steps):
        state = [
            carried(x, multipliers[i % chain.lanes]) if i < first_shifted else shifted(x) for i, x in enumerate(state)
        ]
    return state


def edge_block(chain: Lanes, rng: random.Random) -> list[int]:
    """States and multipliers at, near and far from the ends of their ranges."""
    multipliers = [
        rng.choice((HALF - 1 - rng.randrange(9), HALF // 2 + 1 + rng.randrange(9))) for _ in range(chain.lanes)
    ]
    moduli = [a * HALF - 1 for a in multipliers]
    pick = [
        rng.choice((1 + rng.randrange(50), m - 1 - rng.randrange(50), 1 + rng.randrange(m - 1)))
        for m in moduli * chain.carried
    ]
    words = [
        rng.choice((1, MASK, 1 << rng.randrange(64), rng.getrandbits(64))) for _ in range(chain.shifted * chain.lanes)
    ]
    return chain.block(pick, words, multipliers)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32), counts=st.integers(1, 6), edge=st.booleans())
def test_kernel_closed_form_and_plain_stepping_agree_bit_for_bit(chain, program, seed, counts, edge):
    block = edge_block(chain, random.Random(seed)) if edge else chain.fresh()
    steps = counts * UNROLL
    assert run(program, block, counts) == stepped(chain, block, steps) == chain.after(block, steps)


def test_millions_of_steps_end_on_their_closed_form(chain, program):
    for _ in range(3):
        block = chain.fresh()
        assert not chain.faults(block, 200_003 * UNROLL, run(program, block, 200_003))


@given(a=st.integers(HALF // 2 + 1, HALF - 1), word=st.integers(0, MASK))
def test_one_step_of_any_word_multiplies_its_residue_and_never_overflows(a, word):
    m = a * HALF - 1
    after = carried(word, a)
    assert after <= MASK
    assert (after - a * word) % m == 0
    if 0 < word < m:
        assert 0 < after < m


def test_fresh_operands_are_new_and_within_the_proof(chain):
    drawn = [chain.fresh() for _ in range(40)]
    assert len({tuple(block) for block in drawn}) == 40
    for block in drawn:
        multipliers = block[chain.state_words :]
        assert all(HALF // 2 < a < HALF for a in multipliers)
        for i, x in enumerate(block[: chain.carried * chain.lanes]):
            assert 0 < x < multipliers[i % chain.lanes] * HALF - 1
        assert all(0 < x <= MASK for x in block[chain.carried * chain.lanes : chain.state_words])


def test_every_single_bit_of_the_state_when_inverted_is_found_in_its_own_lane(chain, program):
    """At least 2816 flips for each class."""
    block_right: tuple[list[int], list[int]] = ([], [])
    for word, block, steps, found in inverted(program, chain, random.Random(1), 2 if chain.state_words < 40 else 1):
        if block_right[0] is not block:
            block_right = block, chain.after(block, steps)
        assert words_wrong(block_right[1], found) == {word}


def test_a_fault_names_its_lane(chain, program):
    block = chain.fresh()
    found = run(program, block, 5)
    found[7] ^= 1 << 40
    (fault,) = chain.faults(block, 5 * UNROLL, found)
    assert (fault.where, fault.flipped) == ("lane 7", 1 << 40)


def test_a_clean_round_has_no_fault_and_a_drill_exactly_the_one_asked_for(chain, program):
    rounds_are_clean_but_for_a_drill(program, chain, 64 * 17 + 40, "lane 17")
    rounds_are_clean_but_for_a_drill(program, chain, 64 * (chain.state_words - 1), f"lane {chain.state_words - 1}")


@pytest.mark.parametrize(
    ("old", "new"),
    [("%xt1_3 = add", "%xt1_3 = sub"), ("%st2_10_1 = lshr", "%st2_10_1 = shl"), ("%avt0_9 = mul", "%avt0_9 = add")],
)
def test_selfcheck_names_a_kernel_that_one_wrong_instruction_spoils(target, chain, old, new):
    if chain.shifted == 2:  # the shifting vectors come after twenty, not ten
        old, new = old.replace("t2_10_", "t2_20_"), new.replace("t2_10_", "t2_20_")
    spoilt_is_refused(chain, target, chain.text(), old, new)


def test_selfcheck_accepts_the_right_kernel(program):
    assert program.selfcheck() is None


@pytest.mark.parametrize(("name", "where"), [(name, where) for name in ALL for where in CLASSES[name].cpu_names])
def test_the_loop_has_the_promised_width_only_and_every_multiplication(name, where):
    chain = Lanes(CLASSES[name])
    (body,) = loops(ir.assembly(chain.text(), CLASSES[name], where))
    seen = instructions(body)
    assert widths(body) == {CLASSES[name].register_bits}
    assert not {"call", "callq", "bl"} & set(seen)
    assert sum(bool(MULTIPLY.fullmatch(op)) for op in seen) == chain.carried * UNROLL
    assert sum(bool(re.fullmatch(r"v?psllq|shl", op)) for op in seen) == 2 * chain.shifted * UNROLL
    assert sum(bool(re.fullmatch(r"v?psrlq|ushr|usra", op)) for op in seen) == (chain.carried + chain.shifted) * UNROLL
