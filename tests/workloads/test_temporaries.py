"""Wrong bits on their way to the state: in integers none is lost, and in vectors those that can be are known.

The whole table, with its shares, is made by `tests/benchmarks/temporaries.py`; here are those that are certain.
"""

import random

import pytest
from temporary_parts import CHAINS, Fate, Spoiling, temporaries

from soakd.workloads import catalog, classes

X86 = classes.architecture() == "x86-64"
FORGIVING = {
    "vector/lanes": {"h", "g", "l", "z", "q", "mq", "d"},
    "vector/single": {"h", "g", "l", "z", "q", "mq", "d"},
    "vector/pipes": {"g", "z", "q"},
    "vector/roots": {"g", "z", "q", "r", "s", "root"},
    "vector/matrix": {"a", "s", "sum", "z", "q", "mq", "r"},
    "integer/products": {"low"},
}
"""Temporaries of which a bit can be lost: some are worth less than one, and the next rounding takes them off; some are
only an estimate, and a quotient that is off by a few leaves the residue as it is."""
EVERY = [
    (workload, level, temporary)
    for workload in CHAINS
    for level in [classes.resolve(catalog.entry(workload).classes, "widest")]
    for temporary in temporaries(workload, level)
]
CERTAIN = [each for each in EVERY if each[2] not in FORGIVING.get(each[0], ())]


@pytest.mark.skipif(not X86, reason="the assembly and the longest division are those of x86-64")
@pytest.mark.parametrize(("workload", "level", "temporary"), CERTAIN, ids=" ".join)
def test_a_wrong_bit_of_a_temporary_that_nothing_rounds_is_found(workload, level, temporary):
    spoiling, dice = Spoiling(workload, level, temporary), random.Random(7)
    assert [spoiling.trial(dice) for _ in range(4)] == [Fate.FOUND] * 4


@pytest.mark.skipif(not X86, reason="the assembly is that of x86-64")
@pytest.mark.parametrize(
    ("workload", "temporary", "bit"),
    [
        pytest.param("integer/products", "low", 2, id="a product of a multiple of eight, shifted right by three"),
        pytest.param("vector/roots", "root", 63, id="the sign of a root that is squared"),
        pytest.param("vector/matrix", "r", 0, id="a fraction of a residue to which a large constant is added"),
    ],
)
def test_what_the_next_operation_takes_off_leaves_no_trace(workload, temporary, bit):
    level = classes.resolve(catalog.entry(workload).classes, "widest")
    spoiling, dice = Spoiling(workload, level, temporary), random.Random(7)
    assert [spoiling.trial(dice, bit) for _ in range(4)] == [Fate.GONE] * 4


def test_every_temporary_has_a_name_in_the_text_and_bits_to_invert():
    for workload, level, temporary in EVERY:
        assert Spoiling(workload, level, temporary).bits in (1, 32, 64, 128)
