"""Progress in shared memory: one slot per worker with one writer each, and a header that only the guard writes.

An anonymous memfd, inherited as a descriptor: no name, nothing that could be left behind. A slot's totals are written
between two increments of its sequence word, odd while being written, so that a reader never takes half of an update;
a worker killed in between leaves the sequence odd, and the reader keeps what it last saw whole.
"""

from __future__ import annotations

import mmap
import os
from dataclasses import dataclass
from enum import IntEnum

_WORD = 8
_HEADER_WORDS = 8
_SLOT_WORDS = 16
_GO_NS, _END_NS = 0, 1
_SEQUENCE, _STATE, _BEATS, _FIRST_TOTAL = 0, 1, 2, 3
_TOTALS = 10
_READ_ATTEMPTS = 8


class WorkerState(IntEnum):
    """What a worker is doing."""

    STARTING = 0
    READY = 1
    WORKING = 2
    RESTING = 3
    DONE = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotTotals:
    """What a worker has done in this stage. Whole rounds only."""

    rounds: int = 0
    operations: int = 0
    mismatches: int = 0
    sweeps: int = 0
    work_us: int = 0
    check_us: int = 0
    checked_us: int = 0
    core_us: int = 0
    until_us: int = 0
    clock_khz: int = 0

    def words(self) -> tuple[int, ...]:
        return (
            self.rounds,
            self.operations,
            self.mismatches,
            self.sweeps,
            self.work_us,
            self.check_us,
            self.checked_us,
            self.core_us,
            self.until_us,
            self.clock_khz,
        )


class Slots:
    """The whole area, seen from either side of the process boundary."""

    def __init__(self, descriptor: int, workers: int) -> None:
        self.descriptor = descriptor
        self.workers = workers
        self._map = mmap.mmap(descriptor, _size(workers))
        self._words = memoryview(self._map).cast("Q")
        self._seen: dict[int, SlotTotals] = {}

    @classmethod
    def create(cls, workers: int) -> Slots:
        descriptor = os.memfd_create("soakd-slots", os.MFD_CLOEXEC)
        os.ftruncate(descriptor, _size(workers))
        return cls(descriptor, workers)

    def close(self) -> None:
        self._words.release()
        self._map.close()
        os.close(self.descriptor)

    # the guard's side

    def clear(self) -> None:
        """Before each stage: nobody may go, nobody has done anything."""
        for word in range(len(self._words)):
            self._words[word] = 0
        self._seen.clear()

    def go(self, start_ns: int, end_ns: int) -> None:
        """Let all workers begin at one moment of the monotonic clock; the end is set before the start is seen."""
        self._words[_END_NS] = end_ns
        self._words[_GO_NS] = start_ns

    def state(self, worker: int) -> WorkerState:
        return WorkerState(self._words[_base(worker) + _STATE])

    def beats(self, worker: int) -> int:
        return self._words[_base(worker) + _BEATS]

    def totals(self, worker: int) -> SlotTotals:
        base = _base(worker)
        for _ in range(_READ_ATTEMPTS):
            before = self._words[base + _SEQUENCE]
            words = tuple(self._words[base + _FIRST_TOTAL : base + _FIRST_TOTAL + _TOTALS])
            if before % 2 == 0 and self._words[base + _SEQUENCE] == before:
                self._seen[worker] = _totals(words)
                break
        return self._seen.get(worker) or SlotTotals()

    # the worker's side

    def start(self) -> tuple[int, int] | None:
        """Start and end in monotonic nanoseconds, once the guard has set them."""
        start_ns = self._words[_GO_NS]
        return (start_ns, self._words[_END_NS]) if start_ns else None

    def enter(self, worker: int, state: WorkerState) -> None:
        self._words[_base(worker) + _STATE] = state
        self.beat(worker)

    def beat(self, worker: int) -> None:
        self._words[_base(worker) + _BEATS] += 1

    def write(self, worker: int, totals: SlotTotals) -> None:
        base = _base(worker)
        self._words[base + _SEQUENCE] += 1
        for offset, word in enumerate(totals.words(), start=base + _FIRST_TOTAL):
            self._words[offset] = word
        self._words[base + _SEQUENCE] += 1


def _size(workers: int) -> int:
    return (_HEADER_WORDS + workers * _SLOT_WORDS) * _WORD


def _base(worker: int) -> int:
    return _HEADER_WORDS + worker * _SLOT_WORDS


def _totals(words: tuple[int, ...]) -> SlotTotals:
    rounds, operations, mismatches, sweeps, work_us, check_us, checked_us, core_us, until_us, clock_khz = words
    return SlotTotals(
        rounds=rounds,
        operations=operations,
        mismatches=mismatches,
        sweeps=sweeps,
        work_us=work_us,
        check_us=check_us,
        checked_us=checked_us,
        core_us=core_us,
        until_us=until_us,
        clock_khz=clock_khz,
    )
