"""A few turns of every kernel with a bit inverted on the way, and without; by the million: tests/benchmarks/flips.py.

`vector/large` has one class only in one process, and tests of its own.
"""

import random

import pytest
from flip_turns import turn_of

from soakd.workloads import catalog, classes

KERNELS = [workload for workload in catalog.workloads() if workload != "vector/large"]


@pytest.mark.parametrize("workload", KERNELS)
def test_an_inverted_bit_is_found_and_nothing_is_where_there_is_none(workload):
    turn = turn_of(workload, classes.resolve(catalog.entry(workload).classes, "widest"))
    dice = random.Random(5)
    assert [turn(dice, flip=flip) for flip in (True, False) * 3] == [True, False] * 3
