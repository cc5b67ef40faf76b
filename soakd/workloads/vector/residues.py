"""Exact modular arithmetic in floating point: two recipes, why each is exact, and what a lane must hold at the end.

Both evolve v -> a*v modulo a prime p, as signed and lazily reduced residues, without any conditional correction.
a != 0 modulo p, so the map is a bijection of the residues and a wrong residue can never become right again.  An
upset that leaves the integers (a fraction, an exponent) is outside that proof; its difference is multiplied by a large
a before anything rounds it, and the tests invert every bit of a state to see that none is lost.  What rounding then
makes of it is right by chance once in about p cases, which is why p is as large as the format allows.

P is the width of the significand, 53 or 24, and eps = 2^-P.  All rounding is to nearest.  M = 1.5 * 2^(P-1) has unit
ulp around it, so (y + M) - M is y rounded to an integer while |y| <= 2^(P-2).  u is 1/p rounded.

Fused, p the largest prime below 2^(P-1), |v| <= p, odd a, 0 < a <= (p - 1)/2 <= 2^(P-2) - 8:

    h = v*a;  l = fma(v, a, -h);  q = fma(h, u, M) - M;  v' = fma(-q, p, h) + l

 - h is the integer v*a rounded, hence an integer; |h/p| <= (1 + eps) * (p - 1)/2 < 2^(P-2) - 7.
 - l = v*a - h exactly (2P bits hold the product), and |l| <= eps*|v*a| <= p/4.
 - |h*u - h/p| <= eps*|h/p| <= 1/4 and q is h*u rounded once, so |q - h/p| <= 3/4 and |q| < 2^(P-2).
 - h - q*p is an integer of magnitude <= 3p/4 < 2^(P-1): the fma is exact.  Adding l gives v*a - q*p, an integer of
   magnitude <= 3p/4 + p/4 = p < 2^(P-1): exact, congruent to v*a, and within the bound assumed for v.

Separate, |v| <= (p + 3)/2, odd a with 0 < a < p and a*(p + 3)/2 < 2^P - (p + 3)/2, no fused operation:

    h = v*a;  q = (h*u + M) - M;  v' = h - q*p

 - h = v*a is exact.
 - h*u is off by at most 2.01*eps*|h/p| < 2.01/p, so |q - h/p| < 1/2 + 2.01/p and |h - q*p| < p/2 + 2.01, an integer,
   hence at most (p + 3)/2.  |q*p| <= |h| + (p + 3)/2 < 2^P: that product is exact too, and so is the difference.

The double format has room for p = 2^27 - 39 and any a < p.  In single precision factors of equal width would leave p
below 5800; p = 2^19 - 1 with a < 2^6 fills the significand as well, and a chance agreement is 90 times rarer: 4 of 23
million inverted bits were lost, all four in an exponent, and none of 24 million in the fused recipe.

Own derivation; the fused quotient step is the one of J. van der Hoeven, G. Lecerf, G. Quintin, "Modular SIMD arithmetic
in Mathemagix", ACM TOMS 43 (2016), without its final corrections.
"""

from __future__ import annotations

import math
import os
from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from soakd.workloads.base import Fault

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """One binary floating-point format of IEEE 754-2019."""

    name: str
    """The compiler's word for it."""
    bits: int
    precision: int
    """Width of the significand, the hidden bit included."""
    code: Literal["d", "f"]
    """The format's letter in `array`."""

    @property
    def magic(self) -> float:
        """The constant M that rounds to an integer when added and taken off again."""
        return 1.5 * 2.0 ** (self.precision - 1)


DOUBLE: Final = Format(name="double", bits=64, precision=53, code="d")
SINGLE: Final = Format(name="float", bits=32, precision=24, code="f")
MAGIC: Final = DOUBLE.magic


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """One way to multiply modulo a prime in floating point."""

    name: str
    form: Format
    prime: int
    state_bound: int
    """Largest |v| that the derivation allows, and keeps."""
    multiplier_floor: int
    """Smallest multiplier drawn: large ones spread a low bit over the whole state and toggle the most wires."""
    multiplier_bound: int
    operations_per_step: int
    """Floating-point operations per lane and step; a fused multiply-add counts as two."""
    fused: bool


FUSED: Final = Recipe(
    name="fused",
    form=DOUBLE,
    prime=(1 << 52) - 47,
    state_bound=(1 << 52) - 47,
    multiplier_floor=1 << 50,
    multiplier_bound=((1 << 52) - 48) // 2,
    operations_per_step=9,
    fused=True,
)
SEPARATE: Final = Recipe(
    name="separate",
    form=DOUBLE,
    prime=(1 << 27) - 39,
    state_bound=((1 << 27) - 36) // 2,
    multiplier_floor=1 << 26,
    multiplier_bound=(1 << 27) - 40,
    operations_per_step=6,
    fused=False,
)
FUSED_SINGLE: Final = Recipe(
    name="fused, single",
    form=SINGLE,
    prime=(1 << 23) - 15,
    state_bound=(1 << 23) - 15,
    multiplier_floor=1 << 21,
    multiplier_bound=((1 << 23) - 16) // 2,
    operations_per_step=9,
    fused=True,
)
SEPARATE_SINGLE: Final = Recipe(
    name="separate, single",
    form=SINGLE,
    prime=(1 << 19) - 1,
    state_bound=((1 << 19) + 2) // 2,
    multiplier_floor=1 << 5,
    multiplier_bound=61,
    operations_per_step=6,
    fused=False,
)


def _random_words(count: int) -> Sequence[int]:
    """Draw 64-bit words; reducing them modulo a bound below 2^52 biases by under 2^-11, which no operand minds."""
    return array("Q", os.urandom(8 * count))


@dataclass(frozen=True, slots=True, kw_only=True)
class Operands:
    """What one round starts from."""

    states: tuple[int, ...]
    """One signed residue per lane, none of them 0 modulo the prime; register after register."""
    multipliers: tuple[int, ...]
    """One per lane of a register; all registers share them."""

    @classmethod
    def fresh(cls, recipe: Recipe, registers: int, lanes: int) -> Operands:
        """Draw new operands; multipliers are odd and distinct."""
        half = (recipe.prime - 1) // 2
        words = _random_words(registers * lanes)
        states = tuple((1 + (word >> 1) % half) * (1 if word & 1 else -1) for word in words)
        odd_count = (recipe.multiplier_bound - recipe.multiplier_floor) // 2
        drawn: dict[int, None] = {}
        while len(drawn) < lanes:
            drawn[recipe.multiplier_floor + 1 + 2 * (_random_words(1)[0] % odd_count)] = None
        return cls(states=states, multipliers=tuple(drawn))

    def residues_after(self, recipe: Recipe, steps: int) -> tuple[int, ...]:
        """Return a^steps * x modulo the prime for every lane, in exact integers."""
        powers = [pow(multiplier, steps, recipe.prime) for multiplier in self.multipliers]
        lanes = len(powers)
        return tuple(powers[i % lanes] * value % recipe.prime for i, value in enumerate(self.states))


def patterns(values: Sequence[float], form: Format = DOUBLE) -> list[int]:
    """The 64-bit words that hold the values side by side; a last half word is filled with zeros."""
    raw = array(form.code, values).tobytes()
    return array("Q", raw + bytes(-len(raw) % 8)).tolist()


def numbers(words: Sequence[int], form: Format) -> array[float]:
    """Every value that the 64-bit words hold."""
    return array(form.code, array("Q", words).tobytes())


def doubles(words: Sequence[int]) -> array[float]:
    """The double that each 64-bit pattern is."""
    return numbers(words, DOUBLE)


def pattern(value: float, form: Format = DOUBLE) -> int:
    """Return the bits of one value."""
    return patterns([value], form)[0]


def _right(recipe: Recipe, value: float, residue: int) -> bool:
    if not math.isfinite(value) or not value.is_integer():
        return False
    integer = int(value)
    return abs(integer) <= recipe.state_bound and integer % recipe.prime == residue


def _nearest_pattern(recipe: Recipe, actual: int, residue: int) -> int:
    """Of the two representatives a lane may legally hold, take the one that differs in fewer bits."""
    legal = (pattern(float(residue), recipe.form), pattern(float(residue - recipe.prime), recipe.form))
    return min(legal, key=lambda bits: (bits ^ actual).bit_count())


def compare(recipe: Recipe, residues: Sequence[int], values: Sequence[float]) -> list[Fault]:
    """List every lane that does not hold its residue as a finite integer within the bound."""
    faults = []
    for lane, (residue, value) in enumerate(zip(residues, values, strict=True)):
        if not _right(recipe, value, residue):
            actual = pattern(value, recipe.form)
            expected = _nearest_pattern(recipe, actual, residue)
            faults.append(Fault(where=f"lane {lane} of {len(values)}", expected=expected, actual=actual))
    return faults
