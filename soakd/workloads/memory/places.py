"""Where a wrong word of memory is, and what kind of wrong: one line for whoever has to find the cause.

Byte n of a 64-bit word travels in byte lane n of a 64-bit memory channel; on 32-bit subchannels lanes n and n + 4
share the wires (from memory of the DDR4 and DDR5 standards).  Faults that pile up in one lane point at its
timing, its traces or its device; faults in all lanes at a voltage or at the controller.
"""

from __future__ import annotations

import mmap
import os
from typing import TYPE_CHECKING, Final

from soakd.workloads.base import Fault
from soakd.workloads.memory.share import size_text

if TYPE_CHECKING:
    from collections.abc import Sequence

PAGEMAP: Final = "/proc/self/pagemap"
LANES: Final = 8

_ENTRY_BYTES: Final = 8
_FRAME_MASK: Final = (1 << 55) - 1
_PRESENT: Final = 1 << 63
_BITS_NAMED: Final = 3


def frame_of(entry: int) -> int | None:
    """Page frame number in a pagemap entry: bits 0 to 54, if bit 63 (present) is set; 0 stands for "not permitted".

    After the kernel's admin-guide/mm/pagemap.rst.
    """
    frame = entry & _FRAME_MASK
    return frame if entry & _PRESENT and frame else None


def physical_address(address: int, pagemap: str = PAGEMAP) -> int | None:
    """Ask the kernel where a virtual address really is; None where it does not say (it needs CAP_SYS_ADMIN)."""
    page, offset = divmod(address, mmap.PAGESIZE)
    try:
        handle = os.open(pagemap, os.O_RDONLY | os.O_CLOEXEC)
        try:
            entry = os.pread(handle, _ENTRY_BYTES, page * _ENTRY_BYTES)
        finally:
            os.close(handle)
    except OSError:
        return None
    frame = frame_of(int.from_bytes(entry, "little")) if len(entry) == _ENTRY_BYTES else None
    return None if frame is None else frame * mmap.PAGESIZE + offset


def lanes_of(flipped: int) -> tuple[int, ...]:
    """Byte lanes of the wrong bits."""
    return tuple(lane for lane in range(LANES) if flipped >> 8 * lane & 0xFF)


def flips_text(expected: int, actual: int) -> str:
    """Say which bits went which way; only how many where they are too many to name."""
    parts = []
    for way, bits in (("0 to 1", actual & ~expected), ("1 to 0", expected & ~actual)):
        places = [place for place in range(64) if bits >> place & 1]
        named = " ".join(map(str, places)) if len(places) <= _BITS_NAMED else f"{len(places)} of them"
        parts += [f"{way}: bit{'s' * (len(places) > 1)} {named}"] if places else []
    return ", ".join(parts)


def rereads_text(expected: int, rereads: Sequence[int], *, flushed: bool) -> str:
    """Say whether reading again healed it."""
    right = sum(word == expected for word in rereads)
    counts = [f"{count} {said}" for count, said in ((right, "right"), (len(rereads) - right, "wrong")) if count]
    return f"{'flushed ' if flushed else ''}re-reads: {', '.join(counts)}"


def lanes_text(lanes: Sequence[int]) -> str:
    """Name byte lanes."""
    if len(lanes) == LANES:
        return "all byte lanes"
    return f"byte lane{'s' * (len(lanes) > 1)} {' '.join(map(str, lanes))}"


class Places:
    """Turns wrong words of one share into faults, and counts them by byte lane for as long as the share is used."""

    def __init__(self, address: int, size_bytes: int, *, flushed: bool, pagemap: str = PAGEMAP) -> None:
        """`flushed`: whether re-readings come from beyond the caches."""
        self._address = address
        self._size_text = size_text(size_bytes)
        self._flushed = flushed
        self._pagemap = pagemap
        self.by_lane = [0] * LANES

    def fault(self, offset: int, expected: int, actual: int, rereads: Sequence[int] = ()) -> Fault:
        """Describe the wrong word at byte `offset` of the share."""
        lanes = lanes_of(expected ^ actual)
        for lane in lanes:
            self.by_lane[lane] += 1
        virtual = self._address + offset
        physical = physical_address(virtual, self._pagemap)
        at = f"virtual {virtual:#x}" + ("" if physical is None else f", physical {physical:#x}")
        parts = [f"byte {offset:#x} of {self._size_text} ({at})", flips_text(expected, actual), lanes_text(lanes)]
        parts += [rereads_text(expected, rereads, flushed=self._flushed)] if rereads else []
        parts += [f"by lane {'/'.join(map(str, self.by_lane))}"]
        return Fault(where=", ".join(parts), expected=expected, actual=actual)

    def false_alarm(self, offset: int) -> Fault:
        """Describe a comparison that found a difference where there is none: the core was wrong, not the memory."""
        where = f"byte {offset:#x} of {self._size_text}: the core found right words different (1 for 0)"
        return Fault(where=where, expected=0, actual=1)
