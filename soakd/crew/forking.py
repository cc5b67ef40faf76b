"""Forks whose children share as much of their parent's memory as they can: what is written is copied, page by page.

Left alone, the first collection of garbage in each worker would mark every object that the parent ever made; the first
large request of the C library's allocator would join and file the thousands of small pieces that the compiler left
behind; and Python's own fork would renew the locks of threads and the seed of a generator that no worker has.
"""

from __future__ import annotations

import ctypes
import gc
import os
from functools import cache
from typing import Final

_FILING_BYTES: Final = 100_000
"""A request that no free piece is likely to fit, and that is not yet given a mapping of its own: all get filed."""


def settle() -> None:
    """Before the first fork: take every object out of the collector's sight, and do the allocator's tidying once.

    `gc.freeze` is meant for this. malloc_trim(3) is of the GNU C library; without it there is nothing to tidy.
    """
    gc.freeze()
    if hasattr(_library(), "malloc_trim"):
        _library().malloc_trim(0)
        bytearray(_FILING_BYTES)


def fork() -> int:
    """As os.fork, without what Python modules asked to be called in a child: only where there is one thread.

    What os.fork puts right besides is the state of locks, which nobody but the calling thread can hold here.
    """
    pid: int = _library().fork()
    if pid < 0:
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
    return pid


@cache
def _library() -> ctypes.PyDLL:
    """The C library, called with the interpreter's lock held: the child goes on with it."""
    return ctypes.PyDLL(None, use_errno=True)
