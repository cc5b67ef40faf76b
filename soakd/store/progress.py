"""The part of the workers' totals that is kept with every tick: five numbers for each worker, 24 bytes."""

from __future__ import annotations

from array import array
from typing import TYPE_CHECKING

from soakd.model.journal import WorkerTotals

if TYPE_CHECKING:
    from collections.abc import Sequence

_WORDS = 6


def packed(workers: Sequence[WorkerTotals]) -> bytes | None:
    """None without workers. Milliseconds in 32 bits last longer than a stage may."""
    words = array("I")
    for each in workers:
        words.extend((each.core, each.rounds, each.mismatches))
        words.extend(round(1000 * seconds) for seconds in (each.checked_s, each.core_s, each.until_s))
    return words.tobytes() or None


def unpacked(blob: bytes | None) -> tuple[WorkerTotals, ...]:
    words = array("I")
    words.frombytes(blob or b"")
    return tuple(
        WorkerTotals(
            core=words[at],
            rounds=words[at + 1],
            mismatches=words[at + 2],
            checked_s=words[at + 3] / 1000,
            core_s=words[at + 4] / 1000,
            until_s=words[at + 5] / 1000,
        )
        for at in range(0, len(words), _WORDS)
    )


def rounds_in(blob: bytes | None) -> int:
    """Of all workers together."""
    words = array("I")
    words.frombytes(blob or b"")
    return sum(words[1::_WORDS])
