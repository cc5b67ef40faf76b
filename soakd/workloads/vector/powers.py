"""Powers of one square matrix modulo a prime, applied to other matrices in exact integers, fast enough for every round.

Matrices are lists of columns of residues 0 <= x < p.  A column becomes one large integer with a 64-bit slot per
element, so that a column times a residue is one multiplication: slots cannot run over while rows * (p - 1)^2 < 2^64
(packing after Kronecker, common practice in computer algebra).  Powers are kept as bytes, not as integers: an object's
uses are counted within it, so that a worker would get a page of its own for every one that its parent shares.
"""

from __future__ import annotations

import struct
from operator import mul
from typing import Final

Columns = list[list[int]]

_DIGIT_BITS: Final = 5
_DIGITS: Final = 1 << _DIGIT_BITS
_SPREAD: Final = 0x9E3779B97F4A7C15
"""2^64 over the golden ratio; its multiples modulo 2^64 are spread evenly (D. Knuth, TAOCP vol. 3, 6.4)."""


def packed(columns: Columns) -> bytes:
    """All columns in one piece."""
    return b"".join(struct.pack(f"<{len(column)}Q", *column) for column in columns)


def product(left: bytes | memoryview, right: Columns, modulus: int) -> Columns:
    """Multiply a packed square matrix by one given in columns."""
    size = len(right[0])
    weights = [int.from_bytes(left[i : i + 8 * size], "little") for i in range(0, 8 * size * size, 8 * size)]
    result = []
    for column in right:
        total = sum(map(mul, weights, column))
        slots = struct.unpack(f"<{size}Q", total.to_bytes(8 * size, "little"))
        result.append([slot % modulus for slot in slots])
    return result


def triangular_product(size: int, modulus: int) -> Columns:
    """Return L*U with fixed entries that look random, L lower and U upper triangular with ones on the diagonal."""
    lower, upper = (
        [
            [
                int(row == column)
                or (row > column) * (1 + ((size * row + column + 1) * _SPREAD * weight % 2**64 >> 32) % (modulus - 1))
                for row in range(size)
            ]
            for column in range(size)
        ]
        for weight in (1, 3)
    )
    transposed = [list(row) for row in zip(*upper, strict=True)]
    return product(packed(lower), transposed, modulus)


class Powers:
    """B^N applied to columns for any N, from B^(d * 32^j) kept packed for each digit d and place j."""

    def __init__(self, base: Columns, modulus: int, *, places: int) -> None:
        """Lay up enough for N < 32^places; larger N add what they need."""
        if len(base) * (modulus - 1) ** 2 >= 1 << 64:
            raise ValueError(f"{len(base)} products modulo {modulus} do not fit a 64-bit slot")
        self._modulus = modulus
        self._bytes = 8 * len(base) ** 2
        self._next = base
        self._places: list[bytes] = []
        for _ in range(places):
            self._lay_up()

    def _lay_up(self) -> None:
        """Keep B^(d * 32^j) for the next j, one digit after the other."""
        first = packed(self._next)
        powers, current = [first], self._next
        for _ in range(2, _DIGITS):
            current = product(first, current, self._modulus)
            powers.append(packed(current))
        self._places.append(b"".join(powers))
        self._next = product(first, current, self._modulus)

    def applied(self, exponent: int, columns: Columns) -> Columns:
        """Return B^exponent times the columns."""
        place = 0
        while exponent:
            if place == len(self._places):
                self._lay_up()
            if digit := exponent % _DIGITS:
                power = memoryview(self._places[place])[(digit - 1) * self._bytes : digit * self._bytes]
                columns = product(power, columns, self._modulus)
            exponent >>= _DIGIT_BITS
            place += 1
        return columns
