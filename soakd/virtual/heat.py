"""Heat as a network of capacities and resistances, solved exactly for as long as the heat that flows in is constant.

With θ in kelvin above the surroundings: C dθ/dt = P - G θ. As C is diagonal and G symmetric, the network falls into
modes that do not mind each other, each one a first-order step: z(t) = z0 e^(-λt) + q (1 - e^(-λt)) / λ. One node alone
is the step with a thermal time constant, θ(t) = P R (1 - e^(-t/RC)) (textbook form).
"""

from __future__ import annotations

import math
from operator import mul
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

_MOST_SWEEPS = 50
_NEGLIGIBLE = 1e-17
"""Share of its two diagonal elements below which an element beside the diagonal is rounding."""


class HeatNetwork:
    """Nodes with a capacity, joined to each other and to the surroundings, which do not warm."""

    def __init__(self, capacities_jk: Sequence[float], links: Sequence[tuple[int, int | None, float]]) -> None:
        """`links`: a node, another one or None for the surroundings, and the resistance between them in K/W.

        From every node a way leads to the surroundings.
        """
        roots = [math.sqrt(capacity) for capacity in capacities_jk]
        matrix = [[0.0] * len(roots) for _ in roots]
        for one, other, resistance_kw in links:
            matrix[one][one] += 1.0 / resistance_kw
            if other is not None:
                matrix[other][other] += 1.0 / resistance_kw
                matrix[one][other] -= 1.0 / resistance_kw
                matrix[other][one] -= 1.0 / resistance_kw
        scaled = [
            [each / (root * other) for each, other in zip(row, roots, strict=True)]
            for row, root in zip(matrix, roots, strict=True)
        ]
        self._rates, modes = symmetric_modes(scaled)
        """Per second: the reciprocals of the network's time constants."""
        self._into = [[part / root for part, root in zip(mode, roots, strict=True)] for mode in modes]
        """Mode by node: what heat at a node drives."""
        self._energy = [[part * root for part, root in zip(mode, roots, strict=True)] for mode in modes]
        """Mode by node: how much of it a temperature is."""
        self._back = [list(column) for column in zip(*self._into, strict=True)]

    @property
    def constants_s(self) -> list[float]:
        """The time constants, in no order."""
        return [1.0 / rate for rate in self._rates]

    @property
    def slowest_s(self) -> float:
        """The longest of them."""
        return max(self.constants_s)

    def after(self, above_k: Sequence[float], powers_w: Sequence[float], duration_s: float) -> list[float]:
        """Temperatures above the surroundings, when this long so much heat has flowed into each node."""
        modes = []
        for rate, energy, into in zip(self._rates, self._energy, self._into, strict=True):
            gone = -math.expm1(-rate * duration_s)
            was = sum(map(mul, energy, above_k))
            modes.append(was + gone * (sum(map(mul, into, powers_w)) / rate - was))
        return [sum(map(mul, back, modes)) for back in self._back]

    def settled(self, powers_w: Sequence[float]) -> list[float]:
        """Temperatures above the surroundings, when nothing changes any more."""
        modes = [sum(map(mul, into, powers_w)) / rate for rate, into in zip(self._rates, self._into, strict=True)]
        return [sum(map(mul, back, modes)) for back in self._back]


def symmetric_modes(matrix: Sequence[Sequence[float]]) -> tuple[list[float], list[list[float]]]:
    """Eigenvalues and orthonormal eigenvectors of a symmetric positive definite matrix.

    Jacobi's cyclic method (Golub, Van Loan, "Matrix Computations", section "Jacobi methods"; from memory): rotations
    clear one element beside the diagonal after another, in sweeps, until nothing is left.
    """
    rest = [list(row) for row in matrix]
    size = len(rest)
    vectors = [[1.0 if row == column else 0.0 for column in range(size)] for row in range(size)]
    for _ in range(_MOST_SWEEPS):
        turned = False
        for p in range(size):
            for q in range(p + 1, size):
                if abs(rest[p][q]) > _NEGLIGIBLE * math.sqrt(abs(rest[p][p] * rest[q][q])):
                    _rotate(rest, vectors, p, q)
                    turned = True
        if not turned:
            return [rest[place][place] for place in range(size)], vectors
    raise ArithmeticError("the modes of a heat network were not found")


def _rotate(rest: list[list[float]], vectors: list[list[float]], p: int, q: int) -> None:
    """One rotation, the smaller of the two that clear the element at p, q."""
    slope = (rest[q][q] - rest[p][p]) / (2.0 * rest[p][q])
    tangent = math.copysign(1.0, slope) / (abs(slope) + math.hypot(slope, 1.0))
    cosine = 1.0 / math.hypot(tangent, 1.0)
    sine = tangent * cosine
    for rows in (rest, vectors):
        first, second = rows[p], rows[q]
        rows[p] = [cosine * a - sine * b for a, b in zip(first, second, strict=True)]
        rows[q] = [sine * a + cosine * b for a, b in zip(first, second, strict=True)]
    for row in rest:
        row[p], row[q] = cosine * row[p] - sine * row[q], sine * row[p] + cosine * row[q]
    rest[p][q] = rest[q][p] = 0.0
