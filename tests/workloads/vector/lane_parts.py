"""Floating point as exact rationals, for tests of any format: nothing here uses the hardware's own rounding."""

from __future__ import annotations

from fractions import Fraction


def rounded(value: Fraction, precision: int) -> Fraction:
    """The nearest number with so many significant bits, ties to even (IEEE 754-2019 section 4.3.1, no range limits)."""
    if not value:
        return value
    exponent = abs(value.numerator).bit_length() - value.denominator.bit_length() - precision
    while abs(value) >= Fraction(2) ** (exponent + precision):
        exponent += 1
    unit = Fraction(2) ** exponent
    return round(value / unit) * unit  # Python rounds ties to even


def fused_step(v: int, a: int, p: int, precision: int) -> int:
    """h = v*a; l = v*a - h; q = (h*u + M) - M; (h - q*p) + l, each rounded once."""
    magic, inverse = Fraction(3 << (precision - 2)), rounded(Fraction(1, p), precision)
    h = rounded(Fraction(v * a), precision)
    low = rounded(v * a - h, precision)
    q = rounded(rounded(h * inverse + magic, precision) - magic, precision)
    return whole(rounded(rounded(h - q * p, precision) + low, precision))


def separate_step(v: int, a: int, p: int, precision: int) -> int:
    """h = v*a; q = (h*u + M) - M; h - q*p, every operation rounded."""
    magic, inverse = Fraction(3 << (precision - 2)), rounded(Fraction(1, p), precision)
    h = rounded(Fraction(v * a), precision)
    q = rounded(rounded(rounded(h * inverse, precision) + magic, precision) - magic, precision)
    return whole(rounded(h - rounded(q * p, precision), precision))


def whole(value: Fraction) -> int:
    """The integer that the value must be."""
    assert value.denominator == 1
    return value.numerator
