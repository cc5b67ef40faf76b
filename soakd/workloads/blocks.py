"""Blocks of 64-bit words, as kernels read and write them."""

from __future__ import annotations

import ctypes
from functools import cache

Block = ctypes.Array[ctypes.c_uint64]


@cache
def block_type(words: int) -> type[Block]:
    """The type of a block of so many words; the parent, which tries every kernel, makes it once for all workers."""
    return ctypes.c_uint64 * words
