"""The closed forms say where a recurrence stands, as brute force and independent implementations do."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakd.workloads.closedform import PAIR_STEP, WORD, jump, matrix_power, pair_after

# D. Knuth's MMIX generator (The Art of Computer Programming vol. 2, 3rd ed., 3.3.4, table 1, line 26).
MMIX_MULTIPLIER = 6364136223846793005
MMIX_INCREMENT = 1442695040888963407

# Multiplier of PCG64 (M. O'Neill, HMC-CS-2014-0905), as numpy documents it.
PCG_MULTIPLIER = 0x2360ED051FC65DA44385DF649FCCF645

words = st.integers(0, WORD - 1)


@pytest.mark.parametrize(
    ("steps", "state"),
    [
        (1, 7806831264735756412),
        (2, 9396908728118811419),
        (3, 11960119808228829710),
        (1000, 17660865281050590889),
        (10**6, 0xCE8EEFE99CD3CC41),
        (10**9, 0xBD079013DA90DA01),
        (10**12, 0x8F7FAE8B8A939001),
        (2**63, 0x8000000000000001),
        (2**64 - 1, 0x5A2DA53D53F178BA),
        (2**64, 1),
    ],
)
def test_a_long_jump_of_a_known_generator_lands_where_it_should(steps, state):
    """From x0 = 1; values computed by a geometric sum outside this project, small ones by hand-checked stepping."""
    multiplier, increment = jump(MMIX_MULTIPLIER, MMIX_INCREMENT, steps, WORD)
    assert (multiplier + increment) % WORD == state


@given(multiplier=words, increment=words, start=words, steps=st.integers(0, 400))
def test_a_jump_equals_that_many_single_steps(multiplier, increment, start, steps):
    value = start
    for _ in range(steps):
        value = (value * multiplier + increment) % WORD
    total, shift = jump(multiplier, increment, steps, WORD)
    assert (total * start + shift) % WORD == value


@given(multiplier=words, increment=words, first=st.integers(0, 2**70), second=st.integers(0, 2**70))
def test_two_jumps_compose(multiplier, increment, first, second):
    a, c = jump(multiplier, increment, first, WORD)
    b, d = jump(multiplier, increment, second, WORD)
    assert jump(multiplier, increment, first + second, WORD) == (a * b % WORD, (b * c + d) % WORD)


def xsl_rr(state: int) -> int:
    """PCG64's output function: fold to 64 bits, rotate right by the top six (O'Neill 2014, section 6.3)."""
    folded = (state >> 64 ^ state) % WORD
    turn = state >> 122
    return (folded >> turn | folded << (64 - turn)) % WORD


@pytest.mark.parametrize("delta", [1, 2, 999, 10**12, 2**64 + 12345, 2**127])
def test_the_same_jump_at_128_bits_agrees_with_numpys_generator(delta):
    generator = np.random.PCG64(42)
    before = generator.state["state"]
    total, shift = jump(PCG_MULTIPLIER, before["inc"], delta, 1 << 128)
    landed = (total * before["state"] + shift) % (1 << 128)
    generator.advance(delta)
    assert generator.state["state"]["state"] == landed
    following = (landed * PCG_MULTIPLIER + before["inc"]) % (1 << 128)
    assert int(generator.random_raw()) == xsl_rr(following)


@given(first=words, second=words, steps=st.integers(0, 400))
def test_pairs_stand_where_stepping_puts_them(first, second, steps):
    y, w = first, second
    for _ in range(steps):
        y = (y + w) % WORD
        w = (w + y) % WORD
    assert pair_after(first, second, steps) == (y, w)


def test_the_pair_matrix_holds_fibonacci_numbers():
    """[[1,1],[1,2]]^n = [[F(2n-1), F(2n)], [F(2n), F(2n+1)]]: textbook identity; F(90) from OEIS A000045."""
    a, b, c, d = matrix_power(PAIR_STEP, 45, 1 << 80)
    assert (b, c) == (2880067194370816120, 2880067194370816120)
    assert (a + b, a * d - b * c) == (d, 1)
