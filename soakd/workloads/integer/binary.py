"""Where shift-and-exclusive-or recurrences stand after any number of steps: polynomials over GF(2), as integers.

Bit i of an integer is the coefficient of z^i; addition is exclusive or.  A linear map T with annihilating polynomial P
has T^N = r(T) with r = z^N modulo P (Cayley and Hamilton), and r has degree below 64: 64 steps stand for any N.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

SHIFTS: Final = (13, 7, 17)
"""Left, right, left: a full-period triple of G. Marsaglia, "Xorshift RNGs", J. Stat. Software 8 (2003) issue 14."""
XORSHIFT_POLYNOMIAL: Final = 0x1013ED4A358913201
"""Characteristic polynomial of one xorshift step with SHIFTS, by the algorithm of Berlekamp and Massey."""
_BITS: Final = 64


def remainder(value: int, modulus: int) -> int:
    """Reduce a polynomial modulo another."""
    size = modulus.bit_length()
    while value.bit_length() >= size:
        value ^= modulus << (value.bit_length() - size)
    return value


def product(left: int, right: int, modulus: int) -> int:
    """Multiply two polynomials modulo a third."""
    total = 0
    while right:
        if right & 1:
            total ^= left
        left, right = left << 1, right >> 1
    return remainder(total, modulus)


def power_of_z(exponent: int, modulus: int) -> int:
    """Return z^exponent modulo a polynomial, by squaring: over GF(2) a square has a zero between any two digits."""
    result = 1
    for digit in f"{exponent:b}":
        square = int(f"{result:b}", 4)
        result = remainder(square << (digit == "1"), modulus)
    return result


def xorshift_after(words: Sequence[int], steps: int) -> list[int]:
    """Where 64-bit words stand after `steps` of x ^= x << 13; x ^= x >> 7; x ^= x << 17 (all words at once)."""
    ones = sum(1 << (_BITS * i) for i in range(len(words)))
    left, right, again = SHIFTS
    keep_left, keep_again = (ones * ((1 << (_BITS - shift)) - 1) for shift in (left, again))
    keep_right = ones * ((1 << _BITS) - (1 << right))
    x = sum(word << (_BITS * i) for i, word in enumerate(words))
    total, power = 0, power_of_z(steps, XORSHIFT_POLYNOMIAL)
    for k in range(_BITS):
        if power >> k & 1:
            total ^= x
        x ^= (x & keep_left) << left
        x ^= (x & keep_right) >> right
        x ^= (x & keep_again) << again
    return [total >> (_BITS * i) & ((1 << _BITS) - 1) for i in range(len(words))]
