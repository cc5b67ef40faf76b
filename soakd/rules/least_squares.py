"""Linear least squares with a handful of columns, by orthogonal columns (modified Gram-Schmidt; A. Björck, 1967)."""

from __future__ import annotations

import math
from operator import mul
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

_ALIKE: Final = 1e-6
"""A column of which less than this share is left, when what the others tell is taken out, cannot be told from them."""


class Solution(NamedTuple):
    """Coefficients of the columns, what they leave, and the inverse of (Xᵀ X)."""

    coefficients: list[float]
    residuals: list[float]
    inverse: list[list[float]]

    @property
    def squares(self) -> float:
        return math.fsum(map(mul, self.residuals, self.residuals))


def solve(columns: Sequence[Sequence[float]], wanted: Sequence[float]) -> Solution | None:
    """None where the columns cannot be told apart."""
    count, rest = len(columns), list(wanted)
    basis: list[list[float]] = []
    upper = [[0.0] * count for _ in range(count)]
    along: list[float] = []
    for place, column in enumerate(columns):
        left = list(column)
        whole = math.sqrt(sum(map(mul, left, left)))
        for row, unit in enumerate(basis):
            upper[row][place] = part = sum(map(mul, unit, left))
            left = [x - part * u for x, u in zip(left, unit, strict=True)]
        upper[place][place] = size = math.sqrt(sum(map(mul, left, left)))
        if size <= _ALIKE * whole:
            return None
        unit = [x / size for x in left]
        basis.append(unit)
        along.append(part := sum(map(mul, unit, rest)))
        rest = [x - part * u for x, u in zip(rest, unit, strict=True)]
    inverse_root = [_back(upper, [float(row == place) for row in range(count)]) for place in range(count)]
    inverse = [
        [sum(inverse_root[k][i] * inverse_root[k][j] for k in range(count)) for j in range(count)] for i in range(count)
    ]
    return Solution(_back(upper, along), rest, inverse)


def _back(upper: Sequence[Sequence[float]], right: Sequence[float]) -> list[float]:
    """The solution of a triangular system."""
    count = len(right)
    found = [0.0] * count
    for row in reversed(range(count)):
        rest = right[row] - sum(upper[row][k] * found[k] for k in range(row + 1, count))
        found[row] = rest / upper[row][row]
    return found
