"""What all exchange kernels share: seats, joint rounds, planting a drill's fault, and the known answer at rest.

A kernel file gives the text, the layout of the shared words and the right answers (`Exchange`).  Each worker has a
seat, counted from 0 in the order of the stage's cores, and a block of its own beside the shared words.
"""

from __future__ import annotations

import ctypes
import time
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Protocol

from soakd.splitmix import split_mix
from soakd.workloads.base import FAULTS_KEPT, OPEN, Beat, Fault, Flip, Gate, Round, refuse_at_rest
from soakd.workloads.blocks import block_type
from soakd.workloads.chain import KERNEL
from soakd.workloads.exchange import area
from soakd.workloads.exchange.area import LINE_WORDS, Area
from soakd.workloads.exchange.meeting import Meeting, words_needed
from soakd.workloads.ir import compile_kernels
from soakd.workloads.pace import Pace

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from soakd.workloads.blocks import Block
    from soakd.workloads.classes import InstructionClass
    from soakd.workloads.ir import Kernel

SLICE_S: Final = 0.002
"""Aim for one kernel call.

Short, because a call that was sized while others were away takes many times as long once they are back.
"""
_KNOWN_SEED: Final = 0xFFFFFFFFFFFFFFFF
_KNOWN_SEATS: Final = 2
_KNOWN_COUNT: Final = 3
_NS: Final = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One worker's part in one round."""

    seed: int
    seat: int
    workers: int


class Exchange(Protocol):
    """One kernel: what is shared, what each seat does with it, and what must be there in the end."""

    name: str
    """What a digest and a failed check call it."""
    record_words: int
    """Words that each seat publishes at the end of a round."""
    closing_count: int
    """Counts of the kernel that each seat runs once all have stopped; 0 where nothing is left under way."""

    def text(self) -> str:
        """The IR of one function `KERNEL(ptr block, i64 count)`."""
        ...

    def shared_words(self, workers: int) -> int: ...

    def lay(self, seed: int, workers: int, shared: Area) -> None:
        """Put the shared words of a new round in place; they begin at word 0 of the area."""
        ...

    def block(self, part: Part, address: int) -> list[int]:
        """A seat's own block at the start of a round; `address` is where the shared words begin."""
        ...

    def done(self, block: Block) -> int:
        """Operations so far."""
        ...

    def close(self, part: Part, block: Block) -> list[int]:
        """Begin nothing new from here on; returns what the others need to know."""
        ...

    def faults(
        self, part: Part, block: Block, shared: Area, records: Sequence[Sequence[int]]
    ) -> tuple[int, list[Fault]]:
        """The seat's share of the check: how many wrong words at least, and those that are told of, all of them once.

        Every shared word is checked by exactly one seat.
        """
        ...

    def plant(self, part: Part, bit: int, block: Block, shared: Area) -> None:
        """Invert one bit that is shared, while this seat's kernel is not running."""
        ...


class Seat:
    """One worker's end of the exchange."""

    def __init__(self, kernel: Kernel, exchange: Exchange, shared: Area, number: int, workers: int) -> None:
        self._kernel = kernel
        self._exchange = exchange
        self._shared = shared
        self._number = number
        self._workers = workers
        self.open(0)

    def open(self, seed: int) -> None:
        """Take new operands."""
        self._part = Part(seed=seed, seat=self._number, workers=self._workers)
        block = self._exchange.block(self._part, self._shared.address)
        self.block = block_type(len(block))(*block)

    def advance(self, count: int) -> None:
        self._kernel(ctypes.addressof(self.block), count)

    def done(self) -> int:
        return self._exchange.done(self.block)

    def plant(self, bit: int) -> None:
        self._exchange.plant(self._part, bit, self.block, self._shared)

    def close(self) -> list[int]:
        return self._exchange.close(self._part, self.block)

    def faults(self, records: Sequence[Sequence[int]]) -> tuple[int, list[Fault]]:
        """Finish what is under way, then check; only after all seats have closed."""
        if self._exchange.closing_count:
            self.advance(self._exchange.closing_count)
        return self._exchange.faults(self._part, self.block, self._shared, records)


class JointTask:
    """One worker at its seat."""

    def __init__(self, seat: Seat, number: int, meeting: Meeting, lay: Callable[[int], None], note: str) -> None:
        self.note = note
        self.seat = seat
        self._number = number
        self._meeting = meeting
        self._lay = lay
        self._pace = Pace(steps_per_s=1e5)

    def round(self, target_s: float, beat: Beat, flip: Flip | None = None, gate: Gate = OPEN) -> Round:
        """Exchange for about `target_s` with the others, once all are there, and check this seat's share.

        A round that did not open has no operations; time spent waiting is no work.
        """
        seat, opening = self.seat, None
        if gate.wait():
            opening = self._meeting.arrive(target_s, beat, self._lay)
        if opening is None:
            return Round(operations=0, work_s=0.0, check_s=0.0, fault_count=0, faults=())
        seat.open(opening.seed)
        work_s = self._work(opening.end_ns, beat, flip, gate)
        begun_ns = time.perf_counter_ns()
        self._meeting.publish(self._number, seat.close())
        closing_ns = time.perf_counter_ns() - begun_ns
        self._meeting.finish(beat)
        begun_ns = time.perf_counter_ns()
        count, faults = seat.faults(self._meeting.records())
        check_s = (time.perf_counter_ns() - begun_ns + closing_ns) / _NS
        return Round(
            operations=seat.done(),
            work_s=work_s,
            check_s=check_s,
            fault_count=count,
            faults=tuple(faults[:FAULTS_KEPT]),
        )

    def _work(self, end_ns: int, beat: Beat, flip: Flip | None, gate: Gate) -> float:
        """Run slices until the round's end; returns the seconds of those in which something was exchanged."""
        seat, work_ns = self.seat, 0
        half_ns = (time.monotonic_ns() + end_ns) // 2
        while (free_s := gate.wait()) and time.monotonic_ns() < end_ns:
            gate.start()
            begun_ns = time.monotonic_ns()
            if flip and begun_ns >= half_ns:
                seat.plant(flip.bit)
                flip = None
            count, before = self._pace.steps_for(min(SLICE_S, free_s, (end_ns - begun_ns) / _NS)), seat.done()
            seat.advance(count)
            elapsed_ns = time.monotonic_ns() - begun_ns
            if seat.done() > before:
                work_ns += elapsed_ns
                self._pace.learn(count, elapsed_ns / _NS)
            beat()
        if flip:
            seat.plant(flip.bit)
        return work_ns / _NS


class JointProgram:
    """One exchange's kernel in native code, and the area of the stage that runs."""

    def __init__(self, exchange: Exchange, target: InstructionClass, *, text: str | None = None) -> None:
        """`text` replaces the exchange's own (a test's broken variant)."""
        self._exchange = exchange
        compiled = compile_kernels(f"{text or exchange.text()}\n{area.TEXT}", target, (KERNEL, *area.FUNCTIONS))
        self._kernels = compiled.kernels
        self.digests: Mapping[str, str] = MappingProxyType({exchange.name: compiled.digest})
        self.gather(1)

    def gather(self, workers: int) -> None:
        """Make a new area for so many workers, to be inherited by the forks that follow."""
        shared = -(-self._exchange.shared_words(workers) // LINE_WORDS) * LINE_WORDS
        record_words = self._exchange.record_words
        self._workers = workers
        self._area = Area(self._kernels, shared + words_needed(workers, record_words))
        self._meeting = Meeting(self._area, shared, workers, record_words)

    def seats(self) -> list[Seat]:
        """Every seat of the gathering, for one process to play them all."""
        return [self._seat(number) for number in range(self._workers)]

    def lay(self, seed: int) -> None:
        """Put the shared words of a new round in place."""
        self._exchange.lay(seed, self._workers, self._area)

    def selfcheck(self) -> None:
        """Play two seats in turn for a few steps and compare; raises WorkloadError."""
        self.gather(_KNOWN_SEATS)
        wrong = self._wrong_at_rest()
        self.gather(1)
        refuse_at_rest(self._exchange.name, wrong)

    def _wrong_at_rest(self) -> list[Fault]:
        seats = self.seats()
        self.lay(_KNOWN_SEED)
        for seat in seats:
            seat.open(_KNOWN_SEED)
        for seat in (*seats, *reversed(seats)):
            seat.advance(_KNOWN_COUNT)
        records = [seat.close() for seat in seats]
        return [fault for seat in seats for fault in seat.faults(records)[1]]

    def task(self, *, memory_bytes: int, beat: Beat, seat: int = 0) -> JointTask:  # noqa: ARG002  (nothing to lock)
        """Take a seat of the gathering."""
        note = ""
        if self._workers == 1:
            note = "alone: nothing changes hands between cores, which proves little"
        return JointTask(self._seat(seat), seat, self._meeting, self.lay, note)

    def _seat(self, number: int) -> Seat:
        return Seat(self._kernels[KERNEL], self._exchange, self._area, number, self._workers)


def generator(seed: int) -> tuple[int, int]:
    """Multiplier and increment of the round's recurrence x -> a*x + c modulo 2^64, of full period.

    Hull and Dobell (1962): c odd and a = 1 modulo 4.
    """
    return split_mix(seed, 0) & ~7 | 5, split_mix(seed, 1) | 1


OPERANDS: Final = 2
"""The first index of `split_mix` that `generator` leaves free."""
