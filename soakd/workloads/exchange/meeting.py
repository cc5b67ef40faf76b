"""How workers agree to begin and to end a round together, in shared words, without ever blocking one another for good.

A round opens when all seats have arrived, and the last to arrive opens it: draws the seed, lays out the shared words,
sets the end.  A worker that waits in vain (the others have left, or one is kept off its core) takes its arrival back
and comes again later; the count of arrivals is one atomic word, so either it was taken back or the round is complete
and all take part.  Who is in an open round stays to its end, which comes for everybody at one moment of the monotonic
clock, whatever the others do.  Every wait beats.  A worker that dies leaves the others waiting, beating, until the
guard ends them; without a guard they give up by themselves after `PATIENCE_S`.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from soakd.errors import WorkloadError
from soakd.workloads.exchange.area import LINE_WORDS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from soakd.workloads.base import Beat
    from soakd.workloads.exchange.area import Area

PATIENCE_S: Final = 30.0
_SHORTEST_NAP_S: Final = 0.0002
_LONGEST_NAP_S: Final = 0.005
_NS: Final = 1e9
# Lines of the header, each written by one party at a time.
_ARRIVED, _OPENED, _FINISHED, _SEED, _END_NS = (line * LINE_WORDS for line in range(5))
_HEADER_WORDS: Final = 5 * LINE_WORDS


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """What all workers of one round agreed on."""

    seed: int
    """64 fresh random bits, from which each derives its operands."""
    end_ns: int
    """When all stop, on the monotonic clock."""


class Meeting:
    """The words of the agreement, from word `base` of an area."""

    def __init__(self, area: Area, base: int, workers: int, record_words: int) -> None:
        self._area = area
        self._base = base
        self._workers = workers
        self._record_words = record_words
        self._stride = record_stride(record_words)

    def arrive(self, target_s: float, beat: Beat, lay: Callable[[int], None]) -> Opening | None:
        """Wait for the others for `target_s` at most; None if the round did not open.

        The last to arrive calls `lay` with the new seed before anybody begins.
        """
        area, base = self._area, self._base
        rounds = area.load(base + _OPENED)
        full = self._workers * (rounds + 1)
        begun_ns = time.monotonic_ns()
        if area.add(base + _ARRIVED, 1) + 1 == full:
            seed = int.from_bytes(os.urandom(8), "little")
            lay(seed)
            area.store(base + _SEED, seed)
            area.store(base + _END_NS, time.monotonic_ns() + round(target_s * _NS))
            area.store(base + _OPENED, rounds + 1)
        while area.load(base + _OPENED) == rounds:
            if (time.monotonic_ns() - begun_ns) / _NS > target_s and self._left(full):
                return None
            _wait(beat, begun_ns)
        return Opening(seed=area.load(base + _SEED), end_ns=area.load(base + _END_NS))

    def _left(self, full: int) -> bool:
        """Take the arrival back, unless the round is complete already."""
        here = self._area.load(self._base + _ARRIVED)
        while here != full:
            if self._area.retract(self._base + _ARRIVED, here):
                return True
            here = self._area.load(self._base + _ARRIVED)
        return False

    def publish(self, seat: int, record: Sequence[int]) -> None:
        """What the others need to know of this seat's part; to be called before `finish`."""
        self._area.put(self._base + _HEADER_WORDS + seat * self._stride, record)

    def finish(self, beat: Beat) -> None:
        """Wait until all have stopped and published."""
        area, base = self._area, self._base
        full = self._workers * area.load(base + _OPENED)
        begun_ns = time.monotonic_ns()
        area.add(base + _FINISHED, 1)
        while area.load(base + _FINISHED) < full:
            _wait(beat, begun_ns)

    def records(self) -> list[list[int]]:
        """Every seat's record of the round that has just finished."""
        first = self._base + _HEADER_WORDS
        return [self._area.take(first + seat * self._stride, self._record_words) for seat in range(self._workers)]


def record_stride(record_words: int) -> int:
    """Words from one record to the next: whole lines."""
    return -(-record_words // LINE_WORDS) * LINE_WORDS


def words_needed(workers: int, record_words: int) -> int:
    """Words of an area that a meeting takes."""
    return _HEADER_WORDS + workers * record_stride(record_words)


def _wait(beat: Beat, since_ns: int) -> None:
    """A tenth longer than so far: early ones are in time for the others, late ones leave the cores to them."""
    waited_s = (time.monotonic_ns() - since_ns) / _NS
    if waited_s > PATIENCE_S:
        raise WorkloadError(f"the other workers of a joint round were not heard of for {PATIENCE_S:g} s")
    beat()
    time.sleep(min(max(_SHORTEST_NAP_S, waited_s / 10), _LONGEST_NAP_S))
