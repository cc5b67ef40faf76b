"""The march: which words are read and written in which order, as pure data for task and fault simulators alike.

March C- (A. J. van de Goor, "Using March Tests to Test SRAMs", IEEE Design & Test 10(1), 1993), 10 operations per cell:

    any(w0); up(r0,w1); up(r1,w0); down(r0,w1); down(r1,w0); any(r0)

Run again and again, with a new background each time, the closing read of one march and the opening write of the next
are the same pass over memory: up(r0,w0').  Fusing them could let a new write undo a disturbance before it is read.  It
does not: by exhaustive simulation an ascending fused pass finds every simple fault that the separate read finds, and
every pair of coupling faults on one victim, whatever background follows; a descending one loses some of those pairs.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from enum import Enum, auto
from typing import Final

_MASK: Final = (1 << 64) - 1


class Data(Enum):
    """What a march's operation expects or leaves in a word."""

    PLAIN = auto()
    """The march's background."""
    INVERSE = auto()
    """Its complement."""
    NEXT = auto()
    """The background of the march that follows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Element:
    """One pass over all words: each is read (unless `reads` is None) and then written, before the next is touched."""

    ascending: bool
    reads: Data | None
    writes: Data


OPENING: Final = Element(ascending=True, reads=None, writes=Data.PLAIN)
"""Done once, when a share of memory is taken into use."""

CYCLE: Final = (
    Element(ascending=True, reads=Data.PLAIN, writes=Data.INVERSE),
    Element(ascending=True, reads=Data.INVERSE, writes=Data.PLAIN),
    Element(ascending=False, reads=Data.PLAIN, writes=Data.INVERSE),
    Element(ascending=False, reads=Data.INVERSE, writes=Data.PLAIN),
    Element(ascending=True, reads=Data.PLAIN, writes=Data.NEXT),
)
"""Repeated for ever; each turn completes one march."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Background:
    """A word pattern that depends on the address: word i holds (i * factor) ^ mask, modulo 2^64.

    `factor` is odd, so that no two words of a share hold the same pattern: a wrong address always shows.
    """

    factor: int
    mask: int

    @classmethod
    def fresh(cls) -> Background:
        """Draw a new background; over several marches the bits of one word take every combination."""
        return cls(factor=int.from_bytes(os.urandom(8), "little") | 1, mask=int.from_bytes(os.urandom(8), "little"))

    def product(self, index: int) -> int:
        """The part that kernels keep by addition."""
        return index * self.factor & _MASK

    def word(self, index: int) -> int:
        """The pattern of word `index`."""
        return self.product(index) ^ self.mask

    def inverse(self) -> Background:
        """The complement of every word."""
        return Background(factor=self.factor, mask=self.mask ^ _MASK)
