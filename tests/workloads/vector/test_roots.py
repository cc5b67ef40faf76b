"""The root and the divider give their operand back exactly, and no wrong digit of theirs is absorbed."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from soakd.workloads.classes import CLASSES, available
from soakd.workloads.vector import roots
from soakd.workloads.vector.lanes import VECTORS
from soakd.workloads.vector.residues import MAGIC, SEPARATE, Operands, doubles, pattern

BOUND = SEPARATE.state_bound
sizes = st.one_of(
    st.integers(1, BOUND),
    st.integers(0, 26).map(lambda exponent: 1 << exponent),
    st.integers(1, 25).map(lambda exponent: math.isqrt(2 << 2 * exponent)),
)
signs = st.sampled_from((1, -1))


@given(size=sizes, sign=signs)
@example(size=BOUND, sign=-1)
def test_what_goes_in_comes_out_with_its_sign(size, sign):
    y = float(sign * size)
    assert math.sqrt(y * y) == size
    assert (size * float(size)) / y == y


@given(size=sizes, sign=signs, off=st.integers(-3, 3).filter(bool))
@example(size=math.isqrt(2 << 50), sign=1, off=-1)
@example(size=math.isqrt(2 << 50) + 1, sign=1, off=-1)
@example(size=1 << 25, sign=1, off=-1)
def test_a_root_wrong_by_any_unit_in_its_last_place_changes_the_state(size, sign, off):
    root = float(size)
    for _ in range(abs(off)):
        root = math.nextafter(root, math.copysign(math.inf, off))
    assert (root * root) / (sign * float(size)) != sign * size


def test_a_root_with_any_single_bit_wrong_changes_the_state():
    rng = random.Random(5)
    for _ in range(300):
        y = float(rng.randint(1, BOUND) * rng.choice((1, -1)))
        word = pattern(abs(y))
        for bit in range(63):
            (root,) = doubles([word ^ 1 << bit])
            assert (root * root) / y != y


def python_step(v: float, a: float) -> float:
    """The whole step in Python's own double arithmetic."""
    p = float(SEPARATE.prime)
    h = v * a
    q = (h * (1.0 / p) + MAGIC) - MAGIC
    y = h - q * p
    root = math.sqrt(y * y)
    return root * root / y


@pytest.mark.parametrize("name", [name for name in available() if name != "scalar"])
def test_kernel_equals_the_step_written_out_in_python(name):
    chain = roots.chain_of(CLASSES[name])
    task = roots.build(CLASSES[name]).task(memory_bytes=0, beat=lambda: None)
    start = Operands.fresh(SEPARATE, VECTORS, chain._lanes)
    task.load(chain.block(start))
    task.advance(50)
    for lane, found in enumerate(doubles(task.state())):
        v, a = float(start.states[lane]), float(start.multipliers[lane % chain._lanes])
        for _ in range(50):
            v = python_step(v, a)
        assert found == v


def test_operations_are_counted_with_root_divider_and_squares():
    chain = roots.chain_of(CLASSES["vector-128"])
    assert chain.operations_per_step == 120 * 10
