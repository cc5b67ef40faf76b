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

from soakd.workloads.memory import march, sweep
from soakd.workloads.memory.march import Background, Data, Element, Pass
from soakd.workloads.memory.pieces import WORD_BYTES, flushes
from soakd.workloads.memory.places import Places
from soakd.workloads.memory.share import Share
from soakd.workloads.memory.sweeper import Sweeper
from soakd.workloads.memory.tasks import CHUNK_BYTES, CHUNK_WORDS, MemoryProgram, Stretch, stretch_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.workloads.base import Beat
    from soakd.workloads.classes import InstructionClass
    from soakd.workloads.ir import Kernel

BLOCK_BYTES: Final = 256 << 20
"""Larger than a core's last-level cache (up to 128 MiB on the cores known), so that each pass comes from the array."""
_FILL_CHUNKS: Final = 256

_SAME: Final = frozenset({Data.PLAIN, Data.INVERSE})
"""Two that differ in their mask only."""
_KERNELS: Final = MappingProxyType(
    {
        (True, "read"): sweep.READ_UP,
        (False, "read"): sweep.READ_DOWN,
        (True, "same"): sweep.UP,
        (False, "same"): sweep.DOWN,
        (True, "other"): sweep.RENEW,
        (True, "fill"): sweep.FILL,
    }
)


def kernel_of(step: Pass, *, ascending: bool) -> str:
    """Name the sweep kernel that does a pass; raises KeyError for a pass that no march here has."""
    if step.writes is None:
        return _KERNELS[ascending, "read"]
    if step.reads is None:
        return _KERNELS[ascending, "fill"]
    return _KERNELS[ascending, "same" if {step.reads, step.writes} <= _SAME else "other"]


def blocks_of(chunks: int, block_chunks: int) -> tuple[tuple[int, int], ...]:
    """Cut a share's chunks into blocks of at least so many."""
    count = max(1, chunks // block_chunks)
    return tuple((i * block_chunks, chunks if i == count - 1 else (i + 1) * block_chunks) for i in range(count))


class MarchWalk:
    """The place in a march over one share: element, block, pass, chunk."""

    step_bytes = CHUNK_BYTES

    def __init__(self, cycle: tuple[Element, ...], sweeper: Sweeper, chunks: int, block_chunks: int) -> None:
        self._cycle = cycle
        self._sweeper = sweeper
        self._blocks = blocks_of(chunks, block_chunks)
        self.background, self.next_background = Background.fresh(), Background.fresh()
        self._element = self._block = self._pass = self._done_chunks = 0

    @property
    def element(self) -> Element:
        """The element that the march is in."""
        return self._cycle[self._element]

    @property
    def step(self) -> Pass:
        """The pass that the march is in."""
        return self.element.passes[self._pass]

    @property
    def block(self) -> tuple[int, int]:
        """Chunks [begin, end) of the block that the march is in."""
        return self._blocks[self._block if self.element.ascending else len(self._blocks) - 1 - self._block]

    def stretch(self, chunks: int) -> tuple[int, int]:
        """Words [begin, end) of the next `chunks` chunks of the pass, or of what is left of it."""
        return stretch_of(self.block, self._done_chunks, chunks, ascending=self.element.ascending)

    def data(self, data: Data | None) -> Background:
        """Return what a symbol of the march stands for now."""
        if data is Data.INVERSE:
            return self.background.inverse()
        return self.next_background if data is Data.NEXT else self.background

    def open(self, chunks: int, beat: Beat) -> None:
        """Write the first background."""
        plain = self.data(march.OPENING.writes)
        for first in range(0, chunks, _FILL_CHUNKS):
            end = min(first + _FILL_CHUNKS, chunks)
            self._sweeper.run(sweep.FILL, first * CHUNK_WORDS, end * CHUNK_WORDS, plain, plain)
            beat()

    def advance(self, steps: int) -> Stretch:
        """Sweep up to so many chunks, to the end of the pass at most."""
        begin, end = self.stretch(steps)
        step = self.step
        kernel = kernel_of(step, ascending=self.element.ascending)
        wrong, faults = self._sweeper.run(kernel, begin, end, self.data(step.reads), self.data(step.writes))
        chunks = (end - begin) // CHUNK_WORDS
        self._done_chunks += chunks
        ways = 1 if step.writes is None else 2
        return Stretch(
            steps=chunks,
            bytes_moved=ways * chunks * CHUNK_BYTES,
            wrong=wrong,
            faults=faults,
            sweeps=self._end_pass() if self._done_chunks == self.block[1] - self.block[0] else 0,
        )

    def _end_pass(self) -> int:
        """Go to the next pass; returns how many marches that completes."""
        self._done_chunks = 0
        self._pass = (self._pass + 1) % len(self.element.passes)
        if self._pass:
            return 0
        self._block = (self._block + 1) % len(self._blocks)
        if self._block:
            return 0
        self._element = (self._element + 1) % len(self._cycle)
        if self._element:
            return 0
        self.background, self.next_background = self.next_background, Background.fresh()
        return 1

    def upcoming(self, place: int) -> int:
        """Choose a byte of the chunk that is read next."""
        begin, _ = self.stretch(1)
        return begin * WORD_BYTES + place % CHUNK_BYTES


class MarchDesign:
    """A march built of sweep kernels."""

    kernels: tuple[str, ...] = sweep.KERNELS
    unit_bytes = CHUNK_BYTES

    def __init__(self, name: str, cycle: tuple[Element, ...], target: InstructionClass) -> None:
        self.name = f"memory/{name} ({target.name})"
        self._cycle = cycle
        self._target = target

    def text(self) -> str:
        """All sweeps, so that the marches of one class are one object code; a march may leave some unused."""
        return sweep.kernels_text(self._target)

    def walk(self, kernels: Mapping[str, Kernel], share: Share, beat: Beat) -> MarchWalk:
        """Fill the share with the first background."""
        places = Places(share.address, share.size_bytes, flushed=flushes(self._target))
        sweeper = Sweeper(kernels, self._target, share.address, places)
        chunks = share.size_bytes // CHUNK_BYTES
        walk = MarchWalk(self._cycle, sweeper, chunks, BLOCK_BYTES // CHUNK_BYTES)
        walk.open(chunks, beat)
        return walk

    def complaint(self, kernels: Mapping[str, Kernel]) -> tuple[str, str] | None:
        """Try each sweep on three groups."""
        found = ((kernel, check_kernel(kernel, kernels, self._target)) for kernel in sweep.KERNELS)
        return next(((kernel, complaint) for kernel, complaint in found if complaint), None)


def check_kernel(kernel: str, kernels: Mapping[str, Kernel], target: InstructionClass) -> str:
    """Return what one sweep does wrongly on a small known buffer, or nothing."""
    begin = sweep.group_words(target)
    words = 4 * begin
    read = march.KNOWN
    write = read.inverse() if kernel in (sweep.UP, sweep.DOWN) else march.RENEWED
    share = Share(CHUNK_BYTES, lambda: None)
    buffer = (ctypes.c_uint64 * words).from_address(share.address)
    buffer[:] = [read.word(i) for i in range(words)]
    planted = words // 2
    buffer[planted] ^= 1 << 41
    left = list(buffer)
    if kernel not in (sweep.READ_UP, sweep.READ_DOWN):
        left[begin:] = [write.word(i) for i in range(begin, words)]
    sweeper = Sweeper(
        kernels, target, share.address, Places(share.address, words * WORD_BYTES, flushed=flushes(target))
    )
    count, faults = sweeper.run(kernel, begin, words, read, write)
    if list(buffer) != left:
        return "it does not leave the words it should"
    found = [(fault.expected, fault.actual) for fault in faults]
    wanted = [] if kernel == sweep.FILL else [(read.word(planted), read.word(planted) ^ 1 << 41)]
    return "" if found == wanted and count == len(wanted) else f"one planted fault, {count} reported"


def build(target: InstructionClass, *, text: str | None = None) -> MemoryProgram:
    """Compile the sweeps for one class; `text` replaces them (a test's broken variant)."""
    return MemoryProgram(MarchDesign("march", march.C_MINUS, target), target, text=text)
