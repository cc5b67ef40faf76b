"""Marches: which words are read and written in which order, as pure data for tasks and fault simulators alike.

March C- (A. J. van de Goor, "Using March Tests to Test SRAMs", IEEE Design & Test 10(1), 1993), 10 operations per cell:

    any(w0); up(r0,w1); up(r1,w0); down(r0,w1); down(r1,w0); any(r0)

Run again and again, with a new background each time, the closing read of one march and the opening write of the next
are the same pass over memory: up(r0,w0').  Fusing them could let a new write undo a disturbance before it is read.  It
does not: by exhaustive simulation an ascending fused pass finds every simple fault that the separate read finds, and
every pair of coupling faults on one victim, whatever background follows; a descending one loses some of those pairs.

March SS (S. Hamdioui, A. J. van de Goor, M. Rodgers, MTDT 2002; sequence from memory), 22 operations per cell:

    any(w0); up(r0,r0,w0,r0,w1); up(r1,r1,w1,r1,w0); down(r0,r0,w0,r0,w1); down(r1,r1,w1,r1,w0); any(r0)

A cache answers the second of two reads in a row itself, and keeps the first of two writes from ever leaving it.  What
the array is to see more than once must be a pass over more words than the caches hold.  A write pass reads the array
too, to fill the line, so reading, verifying and writing are one pass at the price of one: (r0), (r0,w0), (r0,w1) over a
block gives the array exactly the five operations of the element, where five single passes would give it seven.  Between
blocks the order is March SS's own.  Within a block a word is never read twice in a row while its neighbour holds
another value: those faults are left to backgrounds that differ between neighbours and from march to march.

One background is one march.  For a coupling between two bits of one word (or group) the bits must be alike for some
faults and differ for others: an even chance in each march.  Eight marches miss one such fault in 256, forty none to
speak of (2^-40), and a night has thousands; a fixed set of backgrounds would repeat the same word-to-word contrasts.
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
class Pass:
    """What is done to each word before the next is touched: it is read (unless `reads` is None), then written."""

    reads: Data | None
    writes: Data | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Element:
    """One march element: block by block in its direction, all its passes over a block before the next block's."""

    ascending: bool
    passes: tuple[Pass, ...]


def _element(*passes: tuple[Data, Data | None], ascending: bool = True) -> Element:
    return Element(ascending=ascending, passes=tuple(Pass(reads=read, writes=write) for read, write in passes))


_P, _I, _N = Data.PLAIN, Data.INVERSE, Data.NEXT

OPENING: Final = Pass(reads=None, writes=_P)
"""Done once, ascending, when a share of memory is taken into use."""

C_MINUS: Final = (
    _element((_P, _I)),
    _element((_I, _P)),
    _element((_P, _I), ascending=False),
    _element((_I, _P), ascending=False),
    _element((_P, _N)),
)
"""Repeated for ever, as all of these are; each turn completes one march."""

REREAD: Final = (
    _element((_P, _I), (_I, None)),
    _element((_I, _P), (_P, None)),
    _element((_P, _I), (_I, None), ascending=False),
    _element((_I, _P), (_P, None), ascending=False),
    _element((_P, _N), (_N, None)),
)
"""March C- with another read of each block after it was written, in the same direction."""

SS: Final = (
    _element((_P, None), (_P, _P), (_P, _I)),
    _element((_I, None), (_I, _I), (_I, _P)),
    _element((_P, None), (_P, _P), (_P, _I), ascending=False),
    _element((_I, None), (_I, _I), (_I, _P), ascending=False),
    _element((_P, _N)),
)
"""March SS, its five operations as three passes."""


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


KNOWN: Final = Background(factor=0x9E3779B97F4A7C15, mask=0x0123456789ABCDEF)
RENEWED: Final = Background(factor=0xD1342543DE82EF95, mask=0xFEDCBA9876543210)
"""Two fixed ones, for kernels to be tried on at rest."""
