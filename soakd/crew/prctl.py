"""prctl(2), which Python does not offer."""

from __future__ import annotations

import ctypes
from functools import cache


def prctl(option: int, value: int) -> bool:
    """Set one of the calling process's or thread's settings; false where this system cannot."""
    libc = _libc()
    return hasattr(libc, "prctl") and libc.prctl(option, value, 0, 0, 0) == 0


@cache
def _libc() -> ctypes.CDLL:
    """Loaded once: the crew's parent, which is tied to its own, does it for all workers."""
    return ctypes.CDLL(None, use_errno=True)
