"""The branching streams end where polynomials say, go both ways about equally often, and show every wrong decision."""

from __future__ import annotations

import random
import re

import pytest
from chain_parts import MASK, inverted, no_beat, rounds_are_clean_but_for_a_drill, run, spoilt_is_refused, words_wrong
from hypothesis import given, settings
from hypothesis import strategies as st
from test_native import instructions, widths

from soakd.workloads import ir
from soakd.workloads.classes import CLASSES
from soakd.workloads.integer import branches
from soakd.workloads.integer.branches import STREAMS, UNROLL, Branches

SCALAR = CLASSES["scalar"]
CHAIN = Branches()
words = st.integers(0, MASK)
blocks = st.builds(
    lambda state, operands: [*state, *(word for pair in operands for word in pair)],
    st.tuples(*[words] * 2 * STREAMS),
    st.tuples(*[st.tuples(words.map(lambda word: word | 1), words)] * STREAMS),
)


@pytest.fixture(scope="module")
def program():
    return branches.build(SCALAR)


def stepped(block: list[int], steps: int) -> tuple[list[int], list[list[bool]]]:
    """The definition step by step: the final state, and every stream's decisions."""
    state, ways = [], []
    for at in range(0, 2 * STREAMS, 2):
        (t, w), (polynomial, c) = block[at : at + 2], block[2 * STREAMS + at : 2 * STREAMS + at + 2]
        decisions = []
        for _ in range(steps):
            decisions.append(t > MASK // 2)
            t = (2 * t & MASK) ^ (polynomial if decisions[-1] else 0)
            w = (5 * w + c) & MASK
        state += [t, w]
        ways.append(decisions)
    return state, ways


@settings(max_examples=120, deadline=None)
@given(block=blocks, counts=st.integers(1, 6))
def test_kernel_closed_form_and_plain_stepping_agree_bit_for_bit(program, block, counts):
    steps = counts * UNROLL
    assert run(program, block, counts) == stepped(block, steps)[0] == CHAIN.after(block, steps)


def test_millions_of_steps_end_on_their_closed_form(program):
    for _ in range(3):
        block = CHAIN.fresh()
        assert run(program, block, 20_011) == CHAIN.after(block, 20_011 * UNROLL)


def test_about_half_of_all_decisions_go_each_way_and_the_last_sixty_tell_nothing_of_the_next():
    """20 000 decisions: the share is within five standard deviations, and so is that of repeating any recent one."""
    rng = random.Random(3)
    block = [*(rng.getrandbits(64) for _ in range(2 * STREAMS)), *(rng.getrandbits(64) | 1 for _ in range(2 * STREAMS))]
    for decisions in stepped(block, 20_000)[1]:
        assert abs(sum(decisions) - 10_000) < 5 * 71
        for back in range(1, 61):
            same = sum(now is then for now, then in zip(decisions[back:], decisions[:-back], strict=True))
            assert abs(same - (20_000 - back) / 2) < 5 * 71


def test_the_known_operands_go_both_ways_at_every_branch_within_three_counts():
    for decisions in stepped(CHAIN.known(), 3 * UNROLL)[1]:
        assert all(len({decisions[at + count * UNROLL] for count in range(3)}) == 2 for at in range(UNROLL))


def test_a_start_can_be_found_for_any_first_decisions():
    rng = random.Random(5)
    for _ in range(20):
        wanted, polynomial = [rng.random() < 0.5 for _ in range(64)], rng.getrandbits(64) | 1
        block = [branches.start_with(wanted, polynomial), 0, 0, 0, polynomial, 0, 1, 0]
        assert stepped(block, 64)[1][0] == wanted


def test_every_wrong_decision_is_found_in_its_own_stream(program):
    """The state as the other way would have left it, at 2000 random moments."""
    task, rng = program.task(memory_bytes=0, beat=no_beat), random.Random(2)
    for _ in range(2000):
        block, before, after, stream = CHAIN.fresh(), rng.randint(1, 9), rng.randint(1, 9), rng.randrange(STREAMS)
        task.load(block)
        task.advance(before)
        task._words[2 * stream] ^= block[2 * STREAMS + 2 * stream]
        task.advance(after)
        assert words_wrong(CHAIN.after(block, (before + after) * UNROLL), task.state()) == {2 * stream}


def test_fresh_operands_are_new_and_make_the_maps_injective():
    drawn = [CHAIN.fresh() for _ in range(100)]
    assert len({tuple(block) for block in drawn}) == 100
    assert all(block[at] for block in drawn for at in (0, 2))
    assert all(block[at] % 2 for block in drawn for at in (4, 6))


def test_every_single_bit_of_the_state_when_inverted_is_found_in_its_own_word(program):
    """All 256 bits at sixteen moments: 4096 flips."""
    for word, block, steps, found in inverted(program, CHAIN, random.Random(1), 16):
        assert words_wrong(CHAIN.after(block, steps), found) == {word}


def test_a_clean_round_has_no_fault_and_a_drill_exactly_the_one_asked_for(program):
    rounds_are_clean_but_for_a_drill(program, CHAIN, 64 * 2 + 9, "decisions of stream 1")
    rounds_are_clean_but_for_a_drill(program, CHAIN, 64 + 63, "sum of stream 0")


@pytest.mark.parametrize("site", range(UNROLL))
@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("%rt{}_1 = xor", "%rt{}_1 = or"),
        ("%mt{}_0 = mul", "%mt{}_0 = add"),
        ("%wlt{}_0 = add", "%wlt{}_0 = sub"),
        ("label %hight{0}_1, label %lowt{0}_1", "label %lowt{0}_1, label %hight{0}_1"),
    ],
)
def test_selfcheck_refuses_one_wrong_instruction_or_one_wrong_way_at_any_branch(site, old, new):
    spoilt_is_refused(CHAIN, SCALAR, CHAIN.text(), old.format(site), new.format(site))


def test_selfcheck_accepts_the_right_kernel(program):
    assert program.selfcheck() is None


@pytest.mark.parametrize(
    ("where", "decides"), [("x86-64", r"jn?s|jae|jb"), ("aarch64", r"tbn?z|b\.(mi|pl|lt|ge|hs|lo)")]
)
def test_every_decision_is_a_branch_and_none_a_selection(where, decides):
    assembly = ir.assembly(CHAIN.text(), SCALAR, where)
    seen = instructions(assembly)
    # Where the next decision is repeated at the end of each way there are more branches, never fewer.
    assert sum(bool(re.fullmatch(decides, op)) for op in seen) >= STREAMS * UNROLL
    assert not [op for op in seen if re.match(r"cmov|set|csel|cset|cinc|csinc|csneg|sar|asr|sbb", op)]
    assert not {"call", "callq", "bl"} & set(seen)
    assert not widths(assembly)
