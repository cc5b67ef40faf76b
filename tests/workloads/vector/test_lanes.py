"""The vector kernels are exact, agree with exact integers bit for bit, and lose no wrong bit of their state."""

from __future__ import annotations

import random
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soakd.errors import WorkloadError
from soakd.workloads import catalog
from soakd.workloads.base import Flip
from soakd.workloads.classes import CLASSES, available
from soakd.workloads.vector import lanes as vector
from soakd.workloads.vector import residues as lanes

HERE = [name for name in available() if name in catalog.entry("vector/lanes").classes]
RECIPES = (lanes.FUSED, lanes.SEPARATE)


def no_beat() -> None:
    """These tests watch no heartbeat."""


@pytest.fixture(scope="module", params=HERE)
def program(request):
    return vector.build(CLASSES[request.param])


class Bench:
    """A task with its operands and its state as numbers."""

    def __init__(self, program):
        self.task = program.task(memory_bytes=0, beat=no_beat)
        self.chain = self.task._chain
        self.recipe, self.lanes = self.chain._recipe, self.chain._lanes

    def load(self, operands):
        self.task.load(self.chain.block(operands))

    def advance(self, steps):
        self.task.advance(steps)

    def values(self):
        return lanes.doubles(self.task.state())


@pytest.fixture(scope="module")
def task(program):
    return Bench(program)


def fused_step(v: int, a: int, p: int) -> tuple[int, int]:
    """One step in exact rationals, rounded where the hardware rounds; returns the new state and the quotient.

    Python converts integers and fractions to float rounding to nearest even, as IEEE 754-2019 section 4.3.1 defines it.
    """
    h = int(float(v * a))
    z = float(Fraction(h) * Fraction(1.0 / p) + Fraction(lanes.MAGIC))
    q = int(z - lanes.MAGIC)
    remainder, error = h - q * p, v * a - h
    assert int(float(remainder)) == remainder
    assert int(float(error)) == error
    assert int(float(remainder + error)) == remainder + error
    return remainder + error, q


def separate_step(v: int, a: int, p: int) -> tuple[int, int]:
    """One step in Python's own double arithmetic, with the exactness of each product checked."""
    h = float(v) * float(a)
    q = (h * (1.0 / p) + lanes.MAGIC) - lanes.MAGIC
    product = q * float(p)
    assert (int(h), int(product)) == (v * a, int(q) * p)
    return int(h - product), int(q)


STEPS = {"fused": fused_step, "separate": separate_step}


def primality_witness(n: int) -> int | None:
    """Deterministic Miller-Rabin below 3317044064679887385961981: the first 13 primes suffice.

    J. Sorenson, J. Webster, "Strong pseudoprimes to twelve prime bases", Math. Comp. 86 (2017) 985-1003.
    Returns a base that proves n composite, or None for a prime.
    """
    odd, twos = n - 1, 0
    while odd % 2 == 0:
        odd, twos = odd // 2, twos + 1
    for base in (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41):
        x = pow(base, odd, n)
        if x in (1, n - 1):
            continue
        if not any((x := x * x % n) == n - 1 for _ in range(twos - 1)):
            return base
    return None


@pytest.mark.parametrize(("recipe", "bits"), [(lanes.FUSED, 52), (lanes.SEPARATE, 27)])
def test_each_modulus_is_the_largest_prime_below_its_power_of_two(recipe, bits):
    assert primality_witness(recipe.prime) is None
    assert all(primality_witness(n) is not None for n in range(recipe.prime + 2, 1 << bits, 2))


def test_the_primality_test_knows_published_cases():
    """3215031751 fools bases 2, 3, 5, 7 (Pomerance, Selfridge, Wagstaff 1980); 2^61 - 1 is a Mersenne prime."""
    assert primality_witness(3215031751) == 11
    assert primality_witness((1 << 61) - 1) is None


@st.composite
def one_step(draw, recipe):
    bound, top = recipe.state_bound, recipe.multiplier_bound
    near_edge = st.integers(0, 1000).map(lambda gap: bound - gap)
    size = draw(st.one_of(near_edge, st.integers(1, bound), st.integers(1, 1000)))
    multiplier = draw(st.one_of(st.integers(0, 1000).map(lambda gap: top - gap), st.integers(1, top)))
    return size * draw(st.sampled_from((1, -1))), multiplier


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda recipe: recipe.name)
@settings(max_examples=1500, deadline=None)
@given(data=st.data())
def test_a_step_at_the_edge_of_its_bounds_is_exact_and_stays_within_them(recipe, data):
    v, a = data.draw(one_step(recipe))
    after, quotient = STEPS[recipe.name](v, a, recipe.prime)
    assert (after - v * a) % recipe.prime == 0
    assert abs(after) <= recipe.state_bound
    assert abs(quotient) < 1 << 51


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda recipe: recipe.name)
def test_the_worst_corner_is_exact_too(recipe):
    """Operands next to a half-integer quotient at the largest magnitudes, where the estimate is least sure."""
    rng, p = random.Random(7), recipe.prime
    for _ in range(4000):
        a = recipe.multiplier_bound - 2 * rng.randrange(1 << 12) - 1 | 1
        quotient = rng.randrange(recipe.state_bound * a // p - (1 << 16), recipe.state_bound * a // p)
        v = min((2 * quotient + 1) * p // (2 * a), recipe.state_bound) * rng.choice((1, -1))
        after, _ = STEPS[recipe.name](v, a, p)
        assert (after - v * a) % p == 0
        assert abs(after) <= recipe.state_bound


def edge_operands(task, rng: random.Random) -> lanes.Operands:
    """States at, near and far from the bound, and multipliers at the top of their range."""
    recipe, count = task.recipe, vector.VECTORS * task.lanes
    bound = recipe.state_bound
    sizes = [rng.choice((bound - 1 - rng.randrange(50), rng.randrange(1, bound), 1)) for _ in range(count)]
    states = tuple(size * rng.choice((1, -1)) for size in sizes)
    top = recipe.multiplier_bound - 1 | 1
    return lanes.Operands(states=states, multipliers=tuple(top - 2 * i for i in range(task.lanes)))


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32), steps=st.integers(1, 30), edge=st.booleans())
def test_kernel_equals_exact_arithmetic_bit_for_bit(task, seed, steps, edge):
    fresh = lanes.Operands.fresh(task.recipe, vector.VECTORS, task.lanes)
    start = edge_operands(task, random.Random(seed)) if edge else fresh
    task.load(start)
    task.advance(steps)
    step = STEPS[task.recipe.name]
    for lane in range(0, len(start.states), 7):
        v, a = start.states[lane], start.multipliers[lane % task.lanes]
        for _ in range(steps):
            v, _ = step(v, a, task.recipe.prime)
        assert task.values()[lane] == float(v)
    assert not lanes.compare(task.recipe, start.residues_after(task.recipe, steps), task.values())


def test_many_random_rounds_end_on_their_closed_form(task):
    rng = random.Random(3)
    for _ in range(200):
        start, steps = lanes.Operands.fresh(task.recipe, vector.VECTORS, task.lanes), rng.randint(1, 4000)
        task.load(start)
        task.advance(steps)
        assert not lanes.compare(task.recipe, start.residues_after(task.recipe, steps), task.values())


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda recipe: recipe.name)
def test_fresh_operands_are_distinct_odd_and_within_the_proof(recipe):
    drawn = [lanes.Operands.fresh(recipe, 4, 8) for _ in range(200)]
    assert len({start.states for start in drawn}) == len(drawn)
    for start in drawn:
        assert len(set(start.multipliers)) == 8
        assert all(a % 2 and recipe.multiplier_floor < a <= recipe.multiplier_bound for a in start.multipliers)
        assert all(0 < abs(value) <= recipe.state_bound and value % recipe.prime for value in start.states)


def test_every_single_bit_of_the_state_when_inverted_is_found_in_its_own_lane(task):
    """Sign, exponent and fraction of every lane: thousands of flips, none lost, none blamed on another lane."""
    start = lanes.Operands.fresh(task.recipe, vector.VECTORS, task.lanes)
    count = len(start.states)
    task.load(start)
    task.advance(23)
    middle, rest = task.task.state(), task.chain.block(start)[count:]
    right = start.residues_after(task.recipe, 64)
    for bit in range(64 * count):
        task.task.load([*middle, *rest])
        task.task.invert(bit)
        task.advance(41)
        faults = lanes.compare(task.recipe, right, task.values())
        assert [fault.where for fault in faults] == [f"lane {bit // 64} of {count}"]


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), 0.5, 3.0 * 2.0**60])
def test_a_lane_that_is_no_proper_residue_is_a_fault(bad):
    (fault,) = lanes.compare(lanes.FUSED, (7, 7), (bad, 7.0))
    assert fault.where == "lane 0 of 2"
    assert fault.expected in (lanes.pattern(7.0), lanes.pattern(7.0 - lanes.FUSED.prime))
    assert fault.actual == lanes.pattern(bad)


def test_both_representatives_of_a_residue_are_accepted_and_no_other():
    recipe = lanes.FUSED
    assert not lanes.compare(recipe, (7, 7), (7.0, float(7 - recipe.prime)))
    assert lanes.compare(recipe, (7,), (float(7 + recipe.prime),))
    assert lanes.compare(recipe, (7,), (8.0,))


def test_a_clean_round_has_no_fault_and_a_drill_exactly_the_one_asked_for(program):
    bench = Bench(program)
    task, count = bench.task, vector.VECTORS * bench.lanes
    clean = task.round(0.02, no_beat)
    assert (clean.fault_count, clean.faults, clean.sweeps) == (0, (), 0)
    assert clean.operations > 0
    assert clean.operations % (count * bench.recipe.operations_per_step) == 0
    drilled = task.round(0.02, no_beat, Flip(bit=64 * 17 + 40))
    assert [fault.where for fault in drilled.faults] == [f"lane 17 of {count}"]
    assert task.round(0.02, no_beat).fault_count == 0


def test_selfcheck_accepts_the_right_kernel(program):
    assert program.selfcheck() is None


SPOILT = {
    "quotient": ("%q1 = fsub", "%q1 = fadd"),
    "operand": ("%h3 = fmul {kind} %v3", "%h3 = fmul {kind} %v2"),
    "store": ("store {kind} %r2", "store {kind} %h2"),
}
"""One wrong instruction in one of the four interleaved vectors."""


@pytest.mark.parametrize("name", HERE)
@pytest.mark.parametrize("what", sorted(SPOILT))
def test_selfcheck_names_a_kernel_that_one_wrong_instruction_spoils(name, what):
    kind = f"<{vector.lanes_of(CLASSES[name])} x double>"
    old, new = (part.format(kind=kind) for part in SPOILT[what])
    text = vector.kernel_text(CLASSES[name])
    assert old in text
    with pytest.raises(WorkloadError, match=rf"vector/lanes \({name}\)' computes wrongly"):
        vector.build(CLASSES[name], text=text.replace(old, new)).selfcheck()
