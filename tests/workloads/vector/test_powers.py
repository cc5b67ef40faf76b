"""Powers of a matrix, packed into large integers, agree with the schoolbook product."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakd.workloads.vector.matrix import PRIME
from soakd.workloads.vector.powers import Powers, packed, product, triangular_product

P = PRIME
SIZE = 5
residues = st.integers(0, P - 1)
squares = st.lists(st.lists(residues, min_size=SIZE, max_size=SIZE), min_size=SIZE, max_size=SIZE)


def schoolbook(left, right):
    """Columns of left * right from the definition."""
    return [[sum(left[k][i] * column[k] for k in range(len(left))) % P for i in range(len(left))] for column in right]


@given(left=squares, right=squares)
def test_the_packed_product_is_the_schoolbook_product(left, right):
    assert product(packed(left), right, P) == schoolbook(left, right)


def test_no_slot_runs_over_at_the_largest_operands():
    largest = [[P - 1] * 48 for _ in range(48)]
    assert product(packed(largest), largest[:3], P) == schoolbook(largest, largest[:3])


@given(base=squares, columns=squares, exponent=st.integers(0, 600))
def test_a_power_applied_is_so_many_products_also_beyond_what_was_laid_up(base, columns, exponent):
    found = Powers(base, P, places=1).applied(exponent, columns)
    expected = columns
    for _ in range(exponent):
        expected = schoolbook(base, expected)
    assert found == expected


def test_powers_add_up_at_exponents_of_a_whole_round():
    base, start = triangular_product(SIZE, P), [[1, 2, 3, 4, 5]]
    powers = Powers(base, P, places=4)
    for first, second in ((123_456, 654_321), (32**4 - 1, 1), (32**4, 32**5 + 7)):
        assert powers.applied(second, powers.applied(first, start)) == powers.applied(first + second, start)


def test_a_modulus_too_large_for_the_slots_is_refused():
    with pytest.raises(ValueError, match="do not fit"):
        Powers([[1]], 1 << 33, places=1)


def determinant(columns) -> int:
    """By elimination modulo P."""
    rows, result = [list(column) for column in columns], 1
    for i in range(len(rows)):
        pivot = next((k for k in range(i, len(rows)) if rows[k][i]), None)
        if pivot is None:
            return 0
        if pivot != i:
            rows[i], rows[pivot], result = rows[pivot], rows[i], -result
        result = result * rows[i][i] % P
        inverse = pow(rows[i][i], -1, P)
        for k in range(i + 1, len(rows)):
            factor = rows[k][i] * inverse % P
            rows[k] = [(x - factor * y) % P for x, y in zip(rows[k], rows[i], strict=True)]
    return result % P


def test_the_triangular_product_has_determinant_one_and_no_idle_entry():
    for size in (2, 5, 48):
        columns = triangular_product(size, P)
        assert determinant(columns) == 1
        assert sum(value != 0 for column in columns for value in column) >= size * size - 1
    assert determinant([[1, 2], [2, 4]]) == 0
