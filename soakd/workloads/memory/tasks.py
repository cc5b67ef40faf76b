"""What the memory kernels share: a task that goes over a worker's share pass after pass, and the program it comes from.

A kernel file gives the text and its way over the share (`Walk`); rounds, the drill's bit and the known answer at rest
are here, once.  Verification is part of every pass, so it costs no time of its own.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Protocol

from soakd.errors import WorkloadError
from soakd.workloads import pace
from soakd.workloads.base import FAULTS_KEPT, OPEN, UNSOUND, Beat, Fault, Flip, Gate, Round
from soakd.workloads.ir import Kernel, compile_kernels
from soakd.workloads.memory.pieces import WORD_BYTES
from soakd.workloads.memory.share import Share

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from soakd.workloads.classes import InstructionClass

CHUNK_BYTES: Final = 64 << 10
"""What a share is a whole number of, and what passes over it are counted in."""
CHUNK_WORDS: Final = CHUNK_BYTES // WORD_BYTES
_FIRST_BYTES_PER_S = 2e8
"""A low guess: one chain of dependent loads is no faster."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """What one call did."""

    steps: int
    bytes_moved: int
    """Read + written."""
    wrong: int
    faults: Sequence[Fault]
    sweeps: int = 0
    """Complete sweeps that ended with it."""


class Walk(Protocol):
    """A way over a share that never ends; keeps its place."""

    step_bytes: int
    """Bytes of the share in one step, about."""

    def advance(self, steps: int) -> Stretch:
        """Go on by up to so many steps, at least one, to the end of the pass at most."""
        ...

    def upcoming(self, place: int) -> int:
        """Byte offset in the share of one of the bytes that are verified next; `place` (any number) chooses which."""
        ...


def stretch_of(block: tuple[int, int], done: int, chunks: int, *, ascending: bool) -> tuple[int, int]:
    """Words [begin, end) of the next `chunks` of a block of chunks of which `done` are done, or of what is left."""
    begin, end = block
    if ascending:
        begin += done
        end = min(begin + chunks, end)
    else:
        end -= done
        begin = max(end - chunks, begin)
    return begin * CHUNK_WORDS, end * CHUNK_WORDS


class Design(Protocol):
    """One memory kernel for one instruction class."""

    name: str
    """What a digest and a failed check call it."""
    kernels: tuple[str, ...]
    unit_bytes: int
    """A share is a whole number of these."""

    def text(self) -> str:
        """The IR of all `kernels`."""
        ...

    def walk(self, kernels: Mapping[str, Kernel], share: Share, beat: Beat) -> Walk:
        """Fill a share and stand at its beginning."""
        ...

    def complaint(self, kernels: Mapping[str, Kernel]) -> tuple[str, str] | None:
        """Return a kernel that works wrongly on small known contents, and what it does, if there is one."""
        ...


class MemoryTask:
    """One worker's share and its place in the walk over it."""

    def __init__(self, walk: Walk, share: Share) -> None:
        self.walk = walk
        self.share = share
        self.note = share.note
        self._pace = pace.Pace(steps_per_s=_FIRST_BYTES_PER_S / walk.step_bytes)
        self._begin()

    def _begin(self) -> None:
        self._bytes_moved, self._sweeps, self._wrong = 0, 0, 0
        self._faults: list[Fault] = []

    def advance(self, steps: int) -> int:
        """Go on by up to so many steps; returns how many."""
        done = self.walk.advance(steps)
        self._bytes_moved += done.bytes_moved
        self._sweeps += done.sweeps
        self._wrong += done.wrong
        self._faults += done.faults[: FAULTS_KEPT - len(self._faults)]
        return done.steps

    def invert(self, bit: int) -> None:
        """Invert one bit of what is verified next."""
        byte, place = divmod(bit, 8)
        at = ctypes.c_ubyte.from_address(self.share.address + self.walk.upcoming(byte))
        at.value ^= 1 << place

    def round(self, target_s: float, beat: Beat, flip: Flip | None = None, gate: Gate = OPEN) -> Round:
        """Go on for about `target_s`."""
        self._begin()
        _, work_s = pace.fill(
            target_s, self._pace, self.advance, beat, lambda: self.invert(flip.bit) if flip else None, gate
        )
        return Round(
            operations=self._bytes_moved,
            work_s=work_s,
            check_s=0.0,
            fault_count=self._wrong,
            faults=tuple(self._faults),
            sweeps=self._sweeps,
        )


class MemoryProgram:
    """One design's kernels in native code."""

    def __init__(self, design: Design, target: InstructionClass, *, text: str | None = None) -> None:
        """`text` replaces the design's own (a test's broken variant)."""
        self._design = design
        self._compiled = compile_kernels(text or design.text(), target, design.kernels)
        self.digests: Mapping[str, str] = MappingProxyType({design.name: self._compiled.digest})

    def selfcheck(self) -> None:
        """Try every kernel on small known contents; raises WorkloadError naming the kernel that is wrong."""
        found = self._design.complaint(self._compiled.kernels)
        if found:
            kernel, complaint = found
            raise WorkloadError(
                f"kernel {kernel!r} of {self._design.name} is wrong: {complaint}",
                hint=UNSOUND,
            )

    def gather(self, workers: int) -> None:
        """Each worker has a share of its own."""

    def task(self, *, memory_bytes: int, beat: Beat, seat: int = 0) -> MemoryTask:  # noqa: ARG002  (shares are alike)
        """Take a share of memory, on the calling core, and fill it."""
        share = self.share(memory_bytes, beat)
        return MemoryTask(self._design.walk(self._compiled.kernels, share, beat), share)

    def share(self, memory_bytes: int, beat: Beat) -> Share:
        """Take the whole units of so much memory; raises WorkloadError where there are none."""
        unit = self._design.unit_bytes
        if memory_bytes < unit:
            raise WorkloadError(
                f"a share of {memory_bytes} bytes is too small to sweep", hint=f"at least {unit} bytes are needed"
            )
        return Share(memory_bytes // unit * unit, beat)
