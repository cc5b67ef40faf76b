"""SplitMix64: any number of 64-bit words from one seed, each known directly, the same on every machine.

G. Steele, D. Lea, C. Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014; constants from memory, held
against published values in the tests.
"""

from __future__ import annotations

from typing import Final

_MASK: Final = 2**64 - 1
_GAMMA: Final = 0x9E3779B97F4A7C15


def split_mix(seed: int, index: int) -> int:
    """Output `index`, from 0, of the generator started at `seed`."""
    value = seed + (index + 1) * _GAMMA & _MASK
    value = (value ^ value >> 30) * 0xBF58476D1CE4E5B9 & _MASK
    value = (value ^ value >> 27) * 0x94D049BB133111EB & _MASK
    return value ^ value >> 31
