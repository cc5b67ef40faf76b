"""Thinning the readings of old runs. The evidence and the verdict were made from all of them and stay as they are.

Kept of a thinned run: every tenth tick, the first and last of each stage, and of each window (an hour at the usual
tick) the ticks that hold each channel's minimum and maximum and its first gap. Doing it again changes nothing, so an
interrupted run is simply begun again.

The caller sees to it that no run is on: deleting costs the drive what the guard's journal then waits for. Whoever
drives the steps may stop between any two.
"""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from soakd.store.reader import Row
    from soakd.store.writer import Writer

EVERY = 10
WINDOW_TICKS = 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinned:
    """One step of one run, durable."""

    run_id: str
    before: int
    after: int
    done: bool
    """This was the run's last step."""


class Retention:
    """Only the thread that owns the writer may use it; everything raises StoreError."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer

    def steps(self, before_utc: str, now_utc: str) -> Iterator[Thinned]:
        """Each `next` is one small transaction; runs that finished before `before_utc`, oldest first."""
        for (run_id,) in self._writer.read("runs_to_thin", before_utc):
            yield from self._thin(str(run_id), now_utc)

    def give_back(self) -> int:
        """Bring the write-ahead log into the file, as far as no reader is in the way; the pages free in it then.

        The file keeps its size on purpose: the next nights fill the free pages, so that it stops growing once as many
        runs are thinned as are added, and no night begins with an allocation that could fail.
        """
        self._writer.read("checkpoint")
        ((count,),) = self._writer.read("free_pages")
        return int(count)

    def _thin(self, run_id: str, now_utc: str) -> Iterator[Thinned]:
        ((first, last, _),) = self._writer.read("tick_span", run_id)
        starts = [] if first is None else range(first - first % WINDOW_TICKS, last + 1, WINDOW_TICKS)
        for start in starts:
            rows = self._writer.read("ticks_of_window", run_id, start, start + WINDOW_TICKS)
            numbers = kept(rows)
            values = {
                "run_id": run_id,
                "first": start,
                "beyond": start + WINDOW_TICKS,
                "kept": f"[{','.join(map(str, sorted(numbers)))}]",
            }
            if len(numbers) < len(rows):
                self._writer.write([("thin_window", values)])
            yield Thinned(run_id=run_id, before=len(rows), after=len(numbers), done=False)
        self._writer.write([("mark_thinned", {"run_id": run_id, "now_utc": now_utc})])
        yield Thinned(run_id=run_id, before=0, after=0, done=True)


def kept(rows: Sequence[Row]) -> set[int]:
    """Numbers of the ticks to keep of one window; a row is number, stage, readings."""
    if not rows:
        return set()
    numbers = [int(number) for number, _, _ in rows]
    keep = {number for number in numbers if number % EVERY == 0}
    stages = [stage for _, stage, _ in rows]
    for place, stage in enumerate(stages):
        if place == 0 or stages[place - 1] != stage:
            keep |= {numbers[place], numbers[max(0, place - 1)]}
    keep.add(numbers[-1])
    readings = array("f", b"".join(blob for _, _, blob in rows))
    width = len(readings) // len(rows)
    for channel in range(width):
        keep |= {numbers[place] for place in _telling_places(readings[channel::width])}
    return keep


def _telling_places(column: array[float]) -> set[int]:
    """Where one channel has its minimum, its maximum and its first gap."""
    if not math.isnan(sum(column)):
        return {column.index(min(column)), column.index(max(column))}
    known = [(value, place) for place, value in enumerate(column) if not math.isnan(value)]
    gaps = (place for place, value in enumerate(column) if math.isnan(value))
    places = set() if not known else {min(known)[1], max(known, key=lambda pair: (pair[0], -pair[1]))[1]}
    return places | {place for place in (next(gaps, None),) if place is not None}
