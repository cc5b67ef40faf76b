"""Memory workload: blocks moved to and fro, then held word by word against the background of where they came from.

A share is cut into pairs of blocks.  The contents of one block are copied into the other and back, `HOPS` times, up and
down by turns, vector by vector and unseen; then every word is verified against the background of its first address and
a fresh one is written.  Copies are faithful to errors too: what goes wrong in any read, write or hop is carried on to
the check.  Only what happens to a copy that was already left behind goes unseen.  An odd number of hops makes the two
blocks change roles each time.

Copies are written round the caches: a line that is overwritten whole need not be read first, and reaches the array at
once.
"""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING, Final

from soakd.workloads.base import Fault
from soakd.workloads.memory import pieces, sweep
from soakd.workloads.memory.march import KNOWN, Background
from soakd.workloads.memory.marching import check_kernel
from soakd.workloads.memory.pieces import WORD_BYTES, flushes, parameter
from soakd.workloads.memory.places import Places
from soakd.workloads.memory.share import Share
from soakd.workloads.memory.sweeper import Sweeper
from soakd.workloads.memory.tasks import CHUNK_BYTES, CHUNK_WORDS, MemoryProgram, Stretch, stretch_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.workloads.base import Beat
    from soakd.workloads.classes import InstructionClass
    from soakd.workloads.ir import Kernel

MOVE_UP: Final = "soakd_move_up"
MOVE_DOWN: Final = "soakd_move_down"
HOPS: Final = 3
BLOCK_BYTES: Final = 64 << 20
"""With its pair 128 MiB: beyond the caches, and still checked a few times a second on a slow memory."""
_TARGET: Final = 1
_STREAMED: Final = "!1 = !{i32 1}"
"""What marks a store that goes round the caches."""


class _Move(pieces.Pieces):
    """Writes one copy kernel; all loads of a group come before its stores."""

    def kernel(self, name: str, *, ascending: bool) -> str:
        stride = self.group if ascending else -self.group
        lines = [f"define void @{name}(ptr %parameters, i64 %count) {{", "entry:"]
        lines += [*parameter("base", pieces.BASE), *parameter("target", _TARGET)]
        lines += ["%begin = inttoptr i64 %base.word to ptr", "%distance = sub i64 %target.word, %base.word"]
        lines += ["br label %loop", "loop:", "%i = phi i64 [ 0, %entry ], [ %i.next, %loop ]"]
        lines += ["%here = phi ptr [ %begin, %entry ], [ %then, %loop ]", *self.places()]
        lines += self.fetches(stride, writes=False)
        lines += [f"%d{j} = load {self.kind}, ptr %w{j}" for j in self.vectors]
        for j in self.vectors:
            lines += [f"%v{j} = getelementptr i8, ptr %w{j}, i64 %distance"]
            lines += [f"store {self.kind} %d{j}, ptr %v{j}, !nontemporal !1"]
        lines += [f"%then = getelementptr i64, ptr %here, i64 {stride}", "%i.next = add i64 %i, 1"]
        lines += ["%more = icmp ne i64 %i.next, %count", "br i1 %more, label %loop, label %done"]
        return "\n".join([*lines, "done:", "ret void", "}"])


class Mover:
    """Runs the copy kernels over stretches of one share."""

    def __init__(self, kernels: Mapping[str, Kernel], target: InstructionClass, address: int) -> None:
        self._kernels = kernels
        self._group_words = sweep.group_words(target)
        self._address = address
        self._words = (ctypes.c_uint64 * 2)()

    def run(self, begin: int, end: int, distance: int, *, ascending: bool) -> None:
        """Copy words begin..end (whole groups) to `distance` words further on."""
        first = begin if ascending else end - self._group_words
        self._words[pieces.BASE] = self._address + first * WORD_BYTES
        self._words[_TARGET] = self._address + (first + distance) * WORD_BYTES
        kernel = self._kernels[MOVE_UP if ascending else MOVE_DOWN]
        kernel(ctypes.addressof(self._words), (end - begin) // self._group_words)


class MovesWalk:
    """The place among the pairs of blocks: pair, hop, chunk; the last pass over a pair verifies and renews."""

    step_bytes = CHUNK_BYTES

    def __init__(self, mover: Mover, sweeper: Sweeper, chunks: int) -> None:
        """`chunks`: of the whole share, an even number."""
        self._mover = mover
        self._sweeper = sweeper
        block = BLOCK_BYTES // CHUNK_BYTES
        self._pairs = [(first, min(block, (chunks - first) // 2)) for first in range(0, chunks, 2 * block)]
        self.backgrounds = [Background.fresh() for _ in self._pairs]
        self._new = Background.fresh()
        self._homes = [0 for _ in self._pairs]
        self._pair = self._pass = self._done_chunks = 0

    def open(self, beat: Beat) -> None:
        """Write the first background into the first block of each pair."""
        for (first, size), ground in zip(self._pairs, self.backgrounds, strict=True):
            self._sweeper.run(sweep.FILL, first * CHUNK_WORDS, (first + size) * CHUNK_WORDS, ground, ground)
            beat()

    def _end_pass(self) -> int:
        """Go to the next pass; returns how many turns over the whole share that completes."""
        self._done_chunks = 0
        self._pass = (self._pass + 1) % (HOPS + 1)
        if self._pass:
            return 0
        self._homes[self._pair] = (self._homes[self._pair] + HOPS) % 2
        self.backgrounds[self._pair], self._new = self._new, Background.fresh()
        self._pair = (self._pair + 1) % len(self._pairs)
        return 0 if self._pair else 1

    def _block(self) -> tuple[int, int]:
        """Chunks [begin, end) of the block that is read in this pass."""
        first, size = self._pairs[self._pair]
        side = (self._homes[self._pair] + self._pass) % 2
        return first + side * size, first + (side + 1) * size

    def _ascending(self) -> bool:
        return self._pass == HOPS or self._pass % 2 == 0

    def stretch(self, chunks: int) -> tuple[int, int]:
        """Words [begin, end) of the next `chunks` chunks of the pass, or of what is left of it."""
        return stretch_of(self._block(), self._done_chunks, chunks, ascending=self._ascending())

    def _distance(self) -> int:
        """Words from the block that is read in this pass to the other of the pair."""
        first, size = self._pairs[self._pair]
        return (size if self._block()[0] == first else -size) * CHUNK_WORDS

    def advance(self, steps: int) -> Stretch:
        """Move, or verify and renew, up to so many chunks, to the end of the pass at most."""
        begin, end = self.stretch(steps)
        wrong, faults = 0, list[Fault]()
        if self._pass < HOPS:
            self._mover.run(begin, end, self._distance(), ascending=self._ascending())
        else:
            wrong, faults = self._sweeper.run(
                sweep.RENEW, begin, end, self.backgrounds[self._pair], self._new, moved=-self._distance()
            )
        chunks = (end - begin) // CHUNK_WORDS
        self._done_chunks += chunks
        done = self._done_chunks == self._pairs[self._pair][1]
        return Stretch(
            steps=chunks,
            bytes_moved=2 * chunks * CHUNK_BYTES,
            wrong=wrong,
            faults=faults,
            sweeps=self._end_pass() if done else 0,
        )

    def upcoming(self, place: int) -> int:
        """Choose a byte of the chunk that is moved or verified next."""
        begin, _ = self.stretch(1)
        return begin * WORD_BYTES + place % CHUNK_BYTES


class MovesDesign:
    """Moves between pairs of blocks, and the sweep that verifies them."""

    kernels: tuple[str, ...] = (MOVE_UP, MOVE_DOWN, sweep.FILL, sweep.RENEW)
    unit_bytes = 2 * CHUNK_BYTES

    def __init__(self, target: InstructionClass) -> None:
        self.name = f"memory/moves ({target.name})"
        self._target = target

    def text(self) -> str:
        """Both moves and two sweeps."""
        move, sweeps = _Move(self._target, sweep.VECTORS), sweep.functions(self._target)
        moves = (move.kernel(MOVE_UP, ascending=True), move.kernel(MOVE_DOWN, ascending=False))
        return "\n".join((*moves, sweeps[sweep.FILL], sweeps[sweep.RENEW], _STREAMED, pieces.COMMON))

    def walk(self, kernels: Mapping[str, Kernel], share: Share, beat: Beat) -> MovesWalk:
        """Fill one block of each pair."""
        places = Places(share.address, share.size_bytes, flushed=flushes(self._target))
        sweeper = Sweeper(kernels, self._target, share.address, places)
        mover = Mover(kernels, self._target, share.address)
        walk = MovesWalk(mover, sweeper, share.size_bytes // CHUNK_BYTES)
        walk.open(beat)
        return walk

    def complaint(self, kernels: Mapping[str, Kernel]) -> tuple[str, str] | None:
        """Move a few groups each way, and try the sweeps."""
        for kernel in (sweep.FILL, sweep.RENEW):
            complaint = check_kernel(kernel, kernels, self._target)
            if complaint:
                return kernel, complaint
        words = 4 * sweep.group_words(self._target)
        right = [KNOWN.word(i) for i in range(words)]
        for kernel in (MOVE_UP, MOVE_DOWN):
            share = Share(CHUNK_BYTES, lambda: None)
            buffer = (ctypes.c_uint64 * (2 * words)).from_address(share.address)
            buffer[:words] = list[int | ctypes.c_uint64](right)
            Mover(kernels, self._target, share.address).run(0, words, words, ascending=kernel == MOVE_UP)
            if list(buffer) != 2 * right:
                return kernel, "it does not leave the words it should"
        return None


def build(target: InstructionClass, *, text: str | None = None) -> MemoryProgram:
    """Compile the kernels for one class; `text` replaces them (a test's broken variant)."""
    return MemoryProgram(MovesDesign(target), target, text=text)
