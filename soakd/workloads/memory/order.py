"""Orders that visit every line of a share exactly once: full-period recurrences, with any place in them known directly.

x' = a*x + c modulo 2^k runs through all 2^k values when a = 1 modulo 4 and c is odd (T. E. Hull, A. R. Dobell, "Random
Number Generators", SIAM Review 4(3), 1962).  Its low bits repeat early (D. E. Knuth, The Art of Computer Programming,
vol. 2, 3.2.1.1), and low bits choose banks and channels; the line visited is therefore y = x ^ (x >> s) with
2*s >= k, which folds the high half into the low one and is its own inverse (own derivation).
"""

from __future__ import annotations

import os
from dataclasses import dataclass

from soakd.workloads.closedform import jump


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A run of 2^bits lines."""

    first: int
    bits: int

    @property
    def lines(self) -> int:
        return 1 << self.bits

    @property
    def fold(self) -> int:
        """The shift that mixes high bits into low ones."""
        return (self.bits + 1) // 2

    def folded(self, index: int) -> int:
        """From the recurrence's value to the line, and back."""
        return index ^ index >> self.fold


def regions(lines: int) -> tuple[Region, ...]:
    """Cut any number of lines into runs of powers of two, the longest first."""
    cut, first = [], 0
    for bits in reversed(range(lines.bit_length())):
        if lines >> bits & 1:
            cut.append(Region(first=first, bits=bits))
            first += 1 << bits
    return tuple(cut)


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One order of a region's lines; it starts at line 0."""

    region: Region
    multiplier: int
    increment: int

    @classmethod
    def fresh(cls, region: Region) -> Order:
        """Draw a new order."""
        multiplier, increment = (int.from_bytes(os.urandom(8), "little") for _ in range(2))
        mask = region.lines - 1
        return cls(region=region, multiplier=(multiplier & ~7 | 5) & mask, increment=increment & mask | 1)

    def follow(self, index: int) -> int:
        """The value after `index`."""
        return (self.multiplier * index + self.increment) & self.region.lines - 1

    def at(self, step: int) -> int:
        """The value after so many steps."""
        return jump(self.multiplier, self.increment, step, self.region.lines)[1]

    def spaced(self, step: int, stride: int, count: int) -> list[int]:
        """Return the values after `step`, `step` + `stride` and so on."""
        multiplier, increment = jump(self.multiplier, self.increment, stride, self.region.lines)
        values = [self.at(step)]
        while len(values) < count:
            values.append((multiplier * values[-1] + increment) % self.region.lines)
        return values

    def line(self, step: int) -> int:
        """The line of the share visited after so many steps."""
        return self.region.first + self.region.folded(self.at(step))
