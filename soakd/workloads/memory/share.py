"""A worker's share of memory: mapped, locked if permitted, touched by the core that tests it, described honestly.

A page is placed when it is first touched, on the node of the core that touches it (Linux's default memory policy,
set_mempolicy(2)).  Workers are pinned to their core before they take a share, so each tests its own node's memory.
"""

from __future__ import annotations

import contextlib
import ctypes
import mmap
import os
import resource
from functools import cache
from typing import TYPE_CHECKING, Final

from soakd.errors import WorkloadError

if TYPE_CHECKING:
    from soakd.workloads.base import Beat

_PIECE_BYTES: Final = 64 << 20
_HUGE_ENOUGH: Final = 0.9
_SMAPS: Final = "/proc/self/smaps"


def size_text(size_bytes: int) -> str:
    """Write a size in the largest binary unit that leaves at least one before the point."""
    for unit, scale in (("GiB", 1 << 30), ("MiB", 1 << 20)):
        if size_bytes >= scale:
            return f"{size_bytes / scale:.1f} {unit}"
    return f"{size_bytes / 1024:.1f} KiB"


class Share:
    """Private anonymous memory of a fixed size, at a fixed virtual address."""

    def __init__(self, size_bytes: int, beat: Beat) -> None:
        try:
            self.bytes = mmap.mmap(-1, size_bytes, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
        except (OSError, OverflowError, ValueError) as error:
            raise WorkloadError(
                f"cannot take {size_text(size_bytes)} of memory: {error}", hint="give the stage a smaller share"
            ) from error
        self.size_bytes = size_bytes
        self._first = ctypes.c_char.from_buffer(self.bytes)
        self.address = ctypes.addressof(self._first)
        # Refused where the kernel lacks huge pages; the note below reports what was really given.
        with contextlib.suppress(OSError):
            self.bytes.madvise(mmap.MADV_HUGEPAGE)
        refusal = self._lock(beat)
        if refusal:
            self._touch(beat)
        self.note = f"{size_text(size_bytes)}, {refusal or 'locked'}, {self._pages()}"

    def _pieces(self) -> range:
        return range(0, self.size_bytes, _PIECE_BYTES)

    def _lock(self, beat: Beat) -> str:
        """Lock piece by piece; returns why it could not be done, or nothing."""
        libc = _libc()
        for begin in self._pieces():
            length = min(_PIECE_BYTES, self.size_bytes - begin)
            if libc.mlock(ctypes.c_void_p(self.address + begin), ctypes.c_size_t(length)):
                reason = os.strerror(ctypes.get_errno())
                libc.munlock(ctypes.c_void_p(self.address), ctypes.c_size_t(self.size_bytes))
                return f"not locked ({reason}; {_limit_text()})"
            beat()
        return ""

    def _touch(self, beat: Beat) -> None:
        for begin in self._pieces():
            ctypes.memset(self.address + begin, 0, min(_PIECE_BYTES, self.size_bytes - begin))
            beat()

    def _pages(self) -> str:
        huge_bytes = _huge_bytes_at(self.address)
        if huge_bytes is None:
            return "page size unknown"
        part = min(huge_bytes / self.size_bytes, 1.0)
        if part >= _HUGE_ENOUGH:
            return "huge pages"
        return f"{part:.0%} in huge pages" if huge_bytes else "small pages"


@cache
def _libc() -> ctypes.CDLL:
    """Loaded once: the parent, which tries the kernels, does it for all workers, and each is smaller for it."""
    return ctypes.CDLL(None, use_errno=True)


def _limit_text() -> str:
    limit_bytes = resource.getrlimit(resource.RLIMIT_MEMLOCK)[0]
    return "no memlock limit" if limit_bytes == resource.RLIM_INFINITY else f"memlock limit {size_text(limit_bytes)}"


def _huge_bytes_at(address: int, smaps: str = _SMAPS) -> int | None:
    """Read how much of the mapping at `address` the kernel backs with huge pages (proc(5), AnonHugePages in KiB)."""
    inside = False
    try:
        with open(smaps, "rb") as lines:  # noqa: PTH123  (streamed, may be long; a worker needs no decoder for it)
            for line in lines:
                head = line.split(None, 1)[0]
                if not head.endswith(b":") and b"-" in head:
                    begin, end = (int(part, 16) for part in head.split(b"-"))
                    inside = begin <= address < end
                elif inside and head == b"AnonHugePages:":
                    return int(line.split()[1]) * 1024
    except OSError:
        return None
    return None
