"""Single precision: the recipes' bounds hold at their edges, and two lanes share a word without being confused."""

from __future__ import annotations

import random
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lane_parts import fused_step, rounded, separate_step

from soakd.workloads.vector import residues
from soakd.workloads.vector.residues import FUSED, FUSED_SINGLE, SEPARATE, SEPARATE_SINGLE, SINGLE

RECIPES = (FUSED_SINGLE, SEPARATE_SINGLE)


def is_prime(n: int) -> bool:
    return n > 1 and all(n % d for d in range(2, int(n**0.5) + 1))


def test_the_fused_modulus_is_the_largest_prime_with_one_bit_less_than_the_significand():
    assert is_prime(FUSED_SINGLE.prime)
    assert not any(is_prime(n) for n in range(FUSED_SINGLE.prime + 1, 1 << 23))


def test_the_separate_modulus_is_prime_and_leaves_its_products_exact():
    recipe = SEPARATE_SINGLE
    assert is_prime(recipe.prime)
    assert recipe.multiplier_bound * recipe.state_bound < (1 << SINGLE.precision) - recipe.state_bound


@pytest.mark.parametrize("recipe", [FUSED, SEPARATE, *RECIPES], ids=lambda recipe: recipe.name)
def test_the_derivation_s_premises_hold_for_every_recipe(recipe):
    """u is 1/p correctly rounded, although it is computed in double precision first; M has unit ulp around it."""
    (inverse, magic) = residues.numbers(
        residues.patterns([1.0 / recipe.prime, recipe.form.magic], recipe.form), recipe.form
    )
    assert Fraction(inverse) == rounded(Fraction(1, recipe.prime), recipe.form.precision)
    assert magic == 3 << (recipe.form.precision - 2)
    assert recipe.multiplier_floor < recipe.multiplier_bound <= (recipe.prime - 1) // (2 if recipe.fused else 1)
    if recipe.fused:
        assert recipe.prime == recipe.state_bound < 1 << (recipe.form.precision - 1)
        assert (recipe.prime - 1) // 2 <= (1 << (recipe.form.precision - 2)) - 8
    else:
        assert recipe.state_bound == (recipe.prime + 3) // 2
        assert recipe.multiplier_bound * recipe.state_bound < (1 << recipe.form.precision) - recipe.state_bound


def stepped(recipe, v: int, a: int) -> int:
    return (fused_step if recipe.fused else separate_step)(v, a, recipe.prime, recipe.form.precision)


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda recipe: recipe.name)
@settings(max_examples=400, deadline=None)
@given(data=st.data())
def test_a_step_at_the_edge_of_its_bounds_is_exact_and_stays_within_them(recipe, data):
    bound, top = recipe.state_bound, recipe.multiplier_bound
    size = data.draw(st.one_of(st.integers(max(1, bound - 500), bound), st.integers(1, bound)))
    a = data.draw(st.one_of(st.integers(max(1, top - 200), top), st.integers(1, top)))
    after = stepped(recipe, size * data.draw(st.sampled_from((1, -1))), a)
    assert abs(after) <= bound
    assert after % recipe.prime in (size * a % recipe.prime, -size * a % recipe.prime)


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda recipe: recipe.name)
def test_the_worst_corner_is_exact_too(recipe):
    """Operands next to a half-integer quotient at the largest magnitudes, where the estimate is least sure."""
    rng, p, bound = random.Random(7), recipe.prime, recipe.state_bound
    for _ in range(1500):
        a = recipe.multiplier_bound - 2 * rng.randrange(recipe.multiplier_floor // 4) - 1 | 1
        quotient = bound * a // p - rng.randrange(1, bound * a // p // 2)
        v = min((2 * quotient + 1) * p // (2 * a), bound) * rng.choice((1, -1))
        after = stepped(recipe, v, a)
        assert (after - v * a) % p == 0
        assert abs(after) <= bound


def test_two_values_share_a_word_low_half_first_and_an_odd_one_is_filled_up():
    assert residues.patterns([1.0, -2.0, 0.5], SINGLE) == [0xC0000000_3F800000, 0x3F000000]
    assert list(residues.numbers([0xC0000000_3F800000], SINGLE)) == [1.0, -2.0]
    assert residues.pattern(-2.0, SINGLE) == 0xC0000000


def test_a_fault_shows_the_bits_of_its_own_lane():
    (fault,) = residues.compare(FUSED_SINGLE, (7, 7), (7.0, 9.0))
    assert fault.where == "lane 1 of 2"
    assert (fault.expected, fault.actual) == (residues.pattern(7.0, SINGLE), residues.pattern(9.0, SINGLE))
    assert fault.flipped < 1 << 32


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), 0.5, float(2**40)])
def test_a_lane_that_is_no_proper_residue_is_a_fault(bad):
    (fault,) = residues.compare(SEPARATE_SINGLE, (7, 7), (bad, 7.0))
    assert fault.actual == residues.pattern(bad, SINGLE)
