"""Memory workload: March C- without end over a worker's share, on address-dependent backgrounds new in every march.

Every pass but the opening fill reads, verifies and writes each word, so each round's reads vouch for what earlier
rounds wrote.  The task keeps its place in the march from round to round; passes keep their direction over the whole
share.  What the array sees is what the caches let through: a share must be much larger than the last-level cache, and
neighbours in the array are not neighbours in address.  The coverage speaks of words, not of a memory device.
"""

from __future__ import annotations

import ctypes
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from soakd.errors import WorkloadError
from soakd.workloads import pace, sweep
from soakd.workloads.base import FAULTS_KEPT, Beat, Fault, Flip, Round
from soakd.workloads.ir import Compiled, Kernel, compile_kernels
from soakd.workloads.march import CYCLE, OPENING, Background, Data, Element
from soakd.workloads.share import Share, size_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.workloads.classes import InstructionClass

CHUNK_BYTES: Final = 64 << 10
_FILL_CHUNKS: Final = 256
_WORD_BYTES: Final = 8


def kernel_of(element: Element) -> str:
    """Name the sweep kernel that does an element of the march."""
    if element.reads is None:
        return sweep.FILL
    if element.writes is Data.NEXT:
        return sweep.RENEW
    return sweep.UP if element.ascending else sweep.DOWN


class Sweeper:
    """Runs sweep kernels over stretches of a share and turns what they noted into faults."""

    def __init__(self, kernels: Mapping[str, Kernel], target: InstructionClass, address: int, size_bytes: int) -> None:
        self._kernels = kernels
        self._group_words = sweep.group_words(target)
        self._address = address
        self._size_bytes = size_bytes
        self._words = (ctypes.c_uint64 * sweep.parameter_words(target))()

    def run(self, kernel: str, begin: int, end: int, read: Background, write: Background) -> tuple[int, list[Fault]]:
        """Sweep words begin..end (whole groups), in the kernel's own direction.

        Returns how many words were wrong (at least; a group beyond those kept counts as one) and the faults kept.
        """
        groups = (end - begin) // self._group_words
        first = end - self._group_words if kernel == sweep.DOWN else begin
        words = self._words
        words[sweep.BASE] = self._address + first * _WORD_BYTES
        words[sweep.READ_PRODUCT : sweep.READ_MASK + 1] = [read.product(first), read.factor, read.mask]
        words[sweep.WRITE_PRODUCT : sweep.WRITE_MASK + 1] = [write.product(first), write.factor, write.mask]
        words[sweep.FAULT_GROUPS] = 0
        self._kernels[kernel](ctypes.addressof(words), groups)
        bad_groups = words[sweep.FAULT_GROUPS]
        if not bad_groups:
            return 0, []
        step = -self._group_words if kernel == sweep.DOWN else self._group_words
        faults = self._noted(first, step, read, min(bad_groups, FAULTS_KEPT))
        return len(faults) + max(bad_groups - FAULTS_KEPT, 0), faults

    def _noted(self, first: int, step: int, read: Background, count: int) -> list[Fault]:
        faults = []
        for slot in range(count):
            at = sweep.SLOTS + slot * (1 + self._group_words)
            group, *data = self._words[at : at + 1 + self._group_words]
            begin = first + group * step
            faults += [
                self._fault(begin + place, read.word(begin + place), actual)
                for place, actual in enumerate(data)
                if actual != read.word(begin + place)
            ]
        return faults

    def _fault(self, index: int, expected: int, actual: int) -> Fault:
        offset = index * _WORD_BYTES
        where = f"byte {offset:#x} of {size_text(self._size_bytes)} (virtual {self._address + offset:#x})"
        return Fault(where=where, expected=expected, actual=actual)


class MemoryTask:
    """One worker's share and its place in the march."""

    def __init__(
        self, kernels: Mapping[str, Kernel], target: InstructionClass, *, memory_bytes: int, beat: Beat
    ) -> None:
        self._chunks = memory_bytes // CHUNK_BYTES
        if not self._chunks:
            raise WorkloadError(
                f"a share of {memory_bytes} bytes is too small to sweep",
                hint=f"at least {CHUNK_BYTES} bytes are needed",
            )
        self.share = Share(self._chunks * CHUNK_BYTES, beat)
        self.note = self.share.note
        self._sweeper = Sweeper(kernels, target, self.share.address, self.share.size_bytes)
        self._pace = pace.Pace(steps_per_s=2e9 / CHUNK_BYTES)
        self._background, self._next = Background.fresh(), Background.fresh()
        self._element = 0
        self._done_chunks = 0
        self._sweeps = 0
        self._fault_count = 0
        self._faults: list[Fault] = []
        self._open(beat)

    @property
    def element(self) -> Element:
        """The pass that the march is in."""
        return CYCLE[self._element]

    def stretch(self, chunks: int) -> tuple[int, int]:
        """Words [begin, end) of the next `chunks` chunks of the pass, or of what is left of it."""
        chunk_words = CHUNK_BYTES // _WORD_BYTES
        first = self._done_chunks
        last = min(first + chunks, self._chunks)
        if not self.element.ascending:
            first, last = self._chunks - last, self._chunks - first
        return first * chunk_words, last * chunk_words

    def _data(self, data: Data | None) -> Background:
        if data is Data.INVERSE:
            return self._background.inverse()
        return self._next if data is Data.NEXT else self._background

    def _open(self, beat: Beat) -> None:
        chunk_words = CHUNK_BYTES // _WORD_BYTES
        for first in range(0, self._chunks, _FILL_CHUNKS):
            end = min(first + _FILL_CHUNKS, self._chunks)
            plain = self._data(OPENING.writes)
            self._sweeper.run(kernel_of(OPENING), first * chunk_words, end * chunk_words, plain, plain)
            beat()

    def advance(self, chunks: int) -> int:
        """Sweep up to so many chunks, to the end of the pass at most; returns how many."""
        begin, end = self.stretch(chunks)
        element = self.element
        count, faults = self._sweeper.run(
            kernel_of(element), begin, end, self._data(element.reads), self._data(element.writes)
        )
        self._fault_count += count
        self._faults += faults[: FAULTS_KEPT - len(self._faults)]
        swept = (end - begin) * _WORD_BYTES // CHUNK_BYTES
        self._done_chunks += swept
        if self._done_chunks == self._chunks:
            self._end_pass()
        return swept

    def _end_pass(self) -> None:
        self._done_chunks = 0
        self._element += 1
        if self._element == len(CYCLE):
            self._element = 0
            self._background, self._next = self._next, Background.fresh()
            self._sweeps += 1

    def invert(self, bit: int) -> None:
        """Invert one bit of the chunk that is read next."""
        begin, end = self.stretch(1)
        byte, place = divmod(bit % ((end - begin) * _WORD_BYTES * 8), 8)
        at = ctypes.c_ubyte.from_address(self.share.address + begin * _WORD_BYTES + byte)
        at.value ^= 1 << place

    def round(self, target_s: float, beat: Beat, flip: Flip | None = None) -> Round:
        """March on for about `target_s`; the check is part of the sweep and costs no time of its own."""
        self._sweeps, self._fault_count, self._faults = 0, 0, []
        chunks, work_s = pace.fill(
            target_s, self._pace, self.advance, beat, lambda: self.invert(flip.bit) if flip else None
        )
        return Round(
            operations=2 * chunks * CHUNK_BYTES,
            work_s=work_s,
            check_s=0.0,
            fault_count=self._fault_count,
            faults=tuple(self._faults),
            sweeps=self._sweeps,
        )


class MemoryProgram:
    """The sweep kernels of one class in native code."""

    def __init__(self, compiled: Compiled, target: InstructionClass) -> None:
        self._compiled = compiled
        self._target = target
        self._name = f"memory ({target.name})"
        self.digests: Mapping[str, str] = MappingProxyType({self._name: compiled.digest})

    def selfcheck(self) -> None:
        """Sweep three groups with every kernel; each must leave the right words and report just the planted fault."""
        for kernel in sweep.KERNELS:
            complaint = check_kernel(kernel, self._compiled.kernels, self._target)
            if complaint:
                raise WorkloadError(
                    f"kernel {kernel!r} of {self._name} is wrong: {complaint}",
                    hint="this core or its memory already fails at rest; do not trust any result of it",
                )

    def task(self, *, memory_bytes: int, beat: Beat) -> MemoryTask:
        """Take a share of memory, on the calling core, and start its march."""
        return MemoryTask(self._compiled.kernels, self._target, memory_bytes=memory_bytes, beat=beat)


def check_kernel(kernel: str, kernels: Mapping[str, Kernel], target: InstructionClass) -> str:
    """Return what one kernel does wrongly on a small known buffer, or nothing."""
    words = 3 * sweep.group_words(target)
    read = Background(factor=0x9E3779B97F4A7C15, mask=0x0123456789ABCDEF)
    renewed = Background(factor=0xD1342543DE82EF95, mask=0xFEDCBA9876543210)
    write = read.inverse() if kernel in (sweep.UP, sweep.DOWN) else renewed
    share = Share(CHUNK_BYTES, lambda: None)
    buffer = (ctypes.c_uint64 * words).from_address(share.address)
    buffer[:] = [read.word(i) for i in range(words)]
    planted = words // 2
    buffer[planted] ^= 1 << 41
    sweeper = Sweeper(kernels, target, share.address, words * _WORD_BYTES)
    count, faults = sweeper.run(kernel, 0, words, read, write)
    if list(buffer) != [write.word(i) for i in range(words)]:
        return "it does not leave the words it should"
    found = [(fault.expected, fault.actual) for fault in faults]
    wanted = [] if kernel == sweep.FILL else [(read.word(planted), read.word(planted) ^ 1 << 41)]
    return "" if found == wanted and count == len(wanted) else f"one planted fault, {count} reported"


def build(target: InstructionClass, *, text: str | None = None) -> MemoryProgram:
    """Compile the sweeps for one class; `text` replaces them (a test's broken variant)."""
    return MemoryProgram(compile_kernels(text or sweep.kernels_text(target), target, sweep.KERNELS), target)
