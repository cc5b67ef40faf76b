"""Exact modular arithmetic in double precision: two recipes, why each is exact, and what a lane must hold at the end.

Both evolve v -> a*v modulo a prime p, as signed and lazily reduced residues, without any conditional correction.
a != 0 modulo p, so the map is a bijection of the residues and a wrong residue can never become right again.  An
upset that leaves the integers (a fraction, an exponent) is outside that proof; its difference is multiplied by a large
a before anything rounds it, and the tests invert every bit of a state to see that none is lost.

All rounding is to nearest.  M = 1.5 * 2^52 has unit ulp around it, so (y + M) - M is y rounded to an integer while
|y| <= 2^51.  u is 1/p rounded.  eps = 2^-53.

`FUSED`, p = 2^52 - 47, |v| <= p, odd a, 0 < a <= (p - 1)/2 = 2^51 - 24:

    h = v*a;  l = fma(v, a, -h);  q = fma(h, u, M) - M;  v' = fma(-q, p, h) + l

 - h is the integer v*a rounded, hence an integer; |h| <= (1 + eps) * p * (2^51 - 24), so |h/p| < 2^51 - 23.
 - l = v*a - h exactly (106 bits hold the product), and |l| <= eps*|h| <= p/4.
 - |h*u - h/p| <= eps*|h/p| <= 1/4 and q is h*u rounded once, so |q - h/p| <= 3/4 and |q| < 2^51.
 - h - q*p is an integer of magnitude <= 3p/4 < 2^52: the fma is exact.  Adding l gives v*a - q*p, an integer of
   magnitude <= p/2 + 2*eps*|h| < p < 2^52: exact, congruent to v*a, and within the bound assumed for v.

`SEPARATE`, p = 2^27 - 39, |v| <= (p + 3)/2, odd a, 0 < a < p, no fused operation:

    h = v*a;  q = (h*u + M) - M;  v' = h - q*p

 - |v*a| <= (p + 3)(p - 1)/2 < 2^53 - 37 * 2^27: h is exact, |h/p| < 2^26.
 - h*u is off by at most 2.01*eps*|h/p| < 2^-25.9, so |q - h/p| <= 1/2 + 2^-25.9 and |h - q*p| < p/2 + 2.2, an integer,
   hence at most (p + 3)/2.  |q*p| <= |h| + (p + 3)/2 < 2^53: that product is exact too, and so is the difference.

Own derivation; the fused quotient step is the one of J. van der Hoeven, G. Lecerf, G. Quintin, "Modular SIMD arithmetic
in Mathemagix", ACM TOMS 43 (2016), without its final corrections.
"""

from __future__ import annotations

import math
import os
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from soakd.workloads.base import Fault

if TYPE_CHECKING:
    from collections.abc import Sequence

MAGIC: Final = 1.5 * 2.0**52


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """One way to multiply modulo a prime in double precision."""

    name: str
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
    prime=(1 << 52) - 47,
    state_bound=(1 << 52) - 47,
    multiplier_floor=1 << 50,
    multiplier_bound=((1 << 52) - 48) // 2,
    operations_per_step=9,
    fused=True,
)
SEPARATE: Final = Recipe(
    name="separate",
    prime=(1 << 27) - 39,
    state_bound=((1 << 27) - 36) // 2,
    multiplier_floor=1 << 26,
    multiplier_bound=(1 << 27) - 40,
    operations_per_step=6,
    fused=False,
)


def _random_words(count: int) -> Sequence[int]:
    """Draw 64-bit words; reducing them modulo a bound below 2^52 biases by under 2^-11, which no operand minds."""
    return struct.unpack(f"<{count}Q", os.urandom(8 * count))


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


def pattern(value: float) -> int:
    """Return the 64 bits of a double."""
    return int.from_bytes(struct.pack("<d", value), "little")


def _right(recipe: Recipe, value: float, residue: int) -> bool:
    if not math.isfinite(value) or not value.is_integer():
        return False
    integer = int(value)
    return abs(integer) <= recipe.state_bound and integer % recipe.prime == residue


def _nearest_pattern(recipe: Recipe, actual: int, residue: int) -> int:
    """Of the two representatives a lane may legally hold, take the one that differs in fewer bits."""
    legal = (pattern(float(residue)), pattern(float(residue - recipe.prime)))
    return min(legal, key=lambda bits: (bits ^ actual).bit_count())


def compare(recipe: Recipe, residues: Sequence[int], values: Sequence[float]) -> list[Fault]:
    """List every lane that does not hold its residue as a finite integer within the bound."""
    faults = []
    for lane, (residue, value) in enumerate(zip(residues, values, strict=True)):
        if not _right(recipe, value, residue):
            actual = pattern(value)
            expected = _nearest_pattern(recipe, actual, residue)
            faults.append(Fault(where=f"lane {lane} of {len(values)}", expected=expected, actual=actual))
    return faults
