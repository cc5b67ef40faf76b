"""Clock probe: how fast the core really ran, from a chain whose length in cycles is known.

x = x*a + c is a multiply (3 cycles) and an add (1 cycle) that each need the other's result: 4 cycles per iteration,
whatever else the core could do at the same time.  Windows of about 100 us, the best of eight: shorter ones are biased
by the call, longer ones are disturbed more often.  The window right after other work reads low and is discarded.
"""

from __future__ import annotations

import ctypes
from time import thread_time_ns
from typing import Final

from soakd.errors import WorkloadError
from soakd.workloads.classes import CLASSES, architecture
from soakd.workloads.ir import compile_kernels

CYCLES_PER_ITERATION: Final = 4
ASSUMPTION: Final = (
    "a dependent 64-bit multiply and add take 4 cycles; seen on the x86-64 cores measured, assumed for all others"
)

STEADY: Final = 0.008
"""Two probes that differ by more than this share saw different clocks."""

_KERNEL: Final = "soakd_clockprobe"
_WINDOWS: Final = 8
_ITERATIONS: Final = 100_000
_UNROLL: Final = 10
_CALLS_TIMED: Final = 50


def _text() -> str:
    chain = [".text", ".p2align 6", f".globl {_KERNEL}", f".type {_KERNEL},@function", f"{_KERNEL}:"]
    chain += ["movq (%rdi), %rax", "movq 8(%rdi), %rcx", "movq 16(%rdi), %rdx", ".p2align 6", "1:"]
    chain += ["imulq %rcx, %rax", "addq %rdx, %rax"] * _UNROLL
    chain += ["decq %rsi", "jnz 1b", "movq %rax, (%rdi)", "retq", f".size {_KERNEL}, .-{_KERNEL}"]
    return "\n".join(f'module asm "{line}"' for line in chain)


class ClockProbe:
    """Measures this core's clock; cheap enough (about 1 ms) to be used around every round."""

    assumption = ASSUMPTION

    def __init__(self) -> None:
        self.available = architecture() == "x86-64"
        if not self.available:
            return
        self._compiled = compile_kernels(_text(), CLASSES["scalar"], (_KERNEL,))
        self._kernel = self._compiled.kernels[_KERNEL]
        self._words = (ctypes.c_uint64 * 3)(1, 6364136223846793005, 1442695040888963407)
        self._address = ctypes.addressof(self._words)
        self._call_ns = min(self._window_ns(1) for _ in range(_CALLS_TIMED))

    def _window_ns(self, blocks: int) -> int:
        begun_ns = thread_time_ns()
        self._kernel(self._address, blocks)
        return thread_time_ns() - begun_ns

    def mhz(self) -> float:
        """Return the clock in MHz; raises WorkloadError where `available` is false."""
        if not self.available:
            raise WorkloadError("the clock probe is not known to hold on this architecture")
        blocks = _ITERATIONS // _UNROLL
        windows_ns = [self._window_ns(blocks) for _ in range(_WINDOWS + 1)][1:]
        # The timed empty call ran one block itself.
        cycles = (blocks - 1) * _UNROLL * CYCLES_PER_ITERATION
        return cycles * 1e3 / max(min(windows_ns) - self._call_ns, 1)


def probe_here() -> ClockProbe | None:
    """The probe, where it is known to hold."""
    probe = ClockProbe()
    return probe if probe.available else None
