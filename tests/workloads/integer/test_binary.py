"""Polynomials over GF(2) agree with doing the shifts, with a published check value, and with what a period must be."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakd.workloads.integer import binary

MASK = (1 << 64) - 1
CHECK_POLYNOMIAL = 1 << 64 | 0x42F0E1EBA9EA3693
FACTORS_OF_2_64_LESS_1 = (3, 5, 17, 257, 641, 65537, 6700417)

words = st.integers(0, MASK)
moduli = words.map(lambda word: 1 << 64 | word | 1)


def xorshift(x: int) -> int:
    x ^= x << 13 & MASK
    x ^= x >> 7
    return x ^ (x << 17 & MASK)


def times_z(value: int, modulus: int) -> int:
    return value << 1 ^ (modulus if value >> 63 else 0)


@given(start=st.lists(words, min_size=1, max_size=9), steps=st.integers(0, 300))
def test_a_jump_is_that_many_xorshift_steps(start, steps):
    plain = list(start)
    for _ in range(steps):
        plain = [xorshift(x) for x in plain]
    assert binary.xorshift_after(start, steps) == plain


@given(x=words, first=st.integers(0, 1 << 80), second=st.integers(0, 1 << 80))
def test_two_jumps_are_one_of_their_sum(x, first, second):
    assert binary.xorshift_after(binary.xorshift_after([x], first), second) == binary.xorshift_after(
        [x], first + second
    )


@given(value=words, steps=st.integers(0, 200), modulus=moduli)
def test_a_power_of_z_is_that_many_doublings(value, steps, modulus):
    plain = value
    for _ in range(steps):
        plain = times_z(plain, modulus)
    assert binary.product(binary.power_of_z(steps, modulus), value, modulus) == plain


@given(left=words, right=words, other=words, modulus=moduli)
def test_products_commute_and_distribute(left, right, other, modulus):
    assert binary.product(left, right, modulus) == binary.product(right, left, modulus)
    both = binary.product(left, right, modulus) ^ binary.product(left, other, modulus)
    assert binary.product(left, right ^ other, modulus) == both


def test_the_published_check_value_of_a_64_bit_check_polynomial():
    """CRC-64/ECMA-182 of "123456789" without initial or final inversion, from the public catalogue of such codes."""
    message = int.from_bytes(b"123456789")
    assert binary.remainder(message << 64, CHECK_POLYNOMIAL) == 0x6C40DF5F0B497347
    assert binary.product(message >> 8, binary.power_of_z(72, CHECK_POLYNOMIAL), CHECK_POLYNOMIAL) == binary.remainder(
        message >> 8 << 72, CHECK_POLYNOMIAL
    )


def test_the_polynomial_annihilates_the_step_on_every_basis_vector():
    for bit in range(64):
        x, total = 1 << bit, 0
        for k in range(65):
            total ^= x if binary.XORSHIFT_POLYNOMIAL >> k & 1 else 0
            x = xorshift(x)
        assert total == 0


def test_the_step_has_the_full_period_that_is_published_for_its_shifts():
    """Order 2^64 - 1: that power gives the start back, and none of its quotients by a prime factor does."""
    order = (1 << 64) - 1
    assert binary.power_of_z(order, binary.XORSHIFT_POLYNOMIAL) == 1
    for factor in FACTORS_OF_2_64_LESS_1:
        assert order % factor == 0
        assert binary.power_of_z(order // factor, binary.XORSHIFT_POLYNOMIAL) != 1
        assert binary.xorshift_after([1], order // factor) != [1]


@pytest.mark.parametrize("steps", [0, 1, 2])
def test_no_steps_change_nothing_and_few_are_exact(steps):
    expected = 0x123456789ABCDEF
    for _ in range(steps):
        expected = xorshift(expected)
    assert binary.xorshift_after([0x123456789ABCDEF, 0], steps) == [expected, 0]
