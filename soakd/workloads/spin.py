"""Spin: wait for a moment of the monotonic clock to a fraction of a microsecond, drawing as little as a core can.

A sleeping process is woken tens of microseconds late; who has to be there in time wakes early and spins. Spinning in
the interpreter would be a load of its own, so it is done in native code with the processor's own instruction for it.
"""

from __future__ import annotations

import ctypes
import time
from typing import Final

from soakd.workloads.classes import CLASSES, architecture
from soakd.workloads.ir import compile_kernels

_KERNEL: Final = "soakd_spin"
_PAUSES: Final = {"x86-64": "pause", "aarch64": "yield"}


def _text() -> str:
    """One function (ptr words, i64 until): words are the address of clock_gettime(2) and room for its answer."""
    return f"""
define void @{_KERNEL}(ptr %words, i64 %until) {{
entry:
  %clock = load ptr, ptr %words
  %seconds.at = getelementptr i64, ptr %words, i64 1
  %rest.at = getelementptr i64, ptr %words, i64 2
  br label %look
look:
  %status = call i32 %clock(i32 {time.CLOCK_MONOTONIC}, ptr %seconds.at)
  %seconds = load i64, ptr %seconds.at
  %rest = load i64, ptr %rest.at
  %whole = mul i64 %seconds, 1000000000
  %now = add i64 %whole, %rest
  %early = icmp ult i64 %now, %until
  br i1 %early, label %pause, label %done
pause:
  call void asm sideeffect "{_PAUSES[architecture()]}", ""()
  br label %look
done:
  ret void
}}"""


class Spin:
    """Compiled once in the parent; each worker spins on its own copy."""

    def __init__(self) -> None:
        self._kernel = compile_kernels(_text(), CLASSES["scalar"], (_KERNEL,)).kernels[_KERNEL]
        clock = ctypes.cast(ctypes.CDLL(None).clock_gettime, ctypes.c_void_p).value or 0
        self._words = (ctypes.c_uint64 * 3)(clock, 0, 0)
        self._address = ctypes.addressof(self._words)

    def until(self, moment_ns: int) -> None:
        """Return as soon as the monotonic clock shows this moment."""
        self._kernel(self._address, moment_ns)
