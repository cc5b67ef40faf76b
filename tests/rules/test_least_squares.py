"""Least squares of a few columns, against numpy."""

from __future__ import annotations

import numpy as np
import pytest

from soakd.rules.least_squares import solve


def test_it_is_the_solution_of_numpy_and_the_inverse_too():
    draws = np.random.default_rng(1)
    columns = draws.normal(size=(5, 200)) * np.array([[1.0], [1e3], [1e-3], [1.0], [10.0]])
    columns[3] += 0.999 * columns[0]
    wanted = draws.normal(size=200)
    found = solve(columns.tolist(), wanted.tolist())
    exact, squares, _, _ = np.linalg.lstsq(columns.T, wanted, rcond=None)
    assert found.coefficients == pytest.approx(exact, rel=1e-9)
    assert found.squares == pytest.approx(squares[0], rel=1e-12)
    assert found.residuals == pytest.approx(wanted - columns.T @ exact, abs=1e-12)
    assert np.array(found.inverse) == pytest.approx(np.linalg.inv(columns @ columns.T), rel=1e-8)


def test_columns_that_cannot_be_told_apart_have_no_solution():
    ramp = [float(n) for n in range(50)]
    assert solve([ramp, [2.0 * x for x in ramp]], ramp) is None
    assert solve([ramp, [x + 1e-9 * (x % 2) for x in ramp]], ramp) is None
