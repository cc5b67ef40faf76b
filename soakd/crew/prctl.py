"""prctl(2), which Python does not offer."""

from __future__ import annotations

import ctypes


def prctl(option: int, value: int) -> bool:
    """Set one of the calling process's or thread's settings; false where this system cannot."""
    libc = ctypes.CDLL(None, use_errno=True)
    return hasattr(libc, "prctl") and libc.prctl(option, value, 0, 0, 0) == 0
