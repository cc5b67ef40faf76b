"""What guard and limiter know of each other: a few words of shared memory, each with one writer.

An anonymous memfd, made by the service and inherited by both; the limiter itself imports nothing of ours, so the layout
is stated there.
"""

from __future__ import annotations

import mmap
import os
from pathlib import Path
from typing import Final, Literal

from soakd.crew import limiter
from soakd.rules.last_resort import Act

PROGRAM: Final = Path(limiter.__file__)
TALE_BYTES: Final = limiter.TALE_BYTES
_CAUSES: Final[dict[int, Literal["guard-still", "too-hot", "dark"]]] = {
    limiter.GUARD_STILL: "guard-still",
    limiter.TOO_HOT: "too-hot",
    limiter.DARK: "dark",
}


class Lifeline:
    """The words, seen from the service or from the guard."""

    def __init__(self, descriptor: int) -> None:
        self.descriptor = descriptor
        self._map = mmap.mmap(descriptor, limiter.WORDS_BYTES)
        self._words = memoryview(self._map).cast("Q")

    @classmethod
    def create(cls) -> Lifeline:
        descriptor = os.memfd_create("soakd-lifeline", os.MFD_CLOEXEC)
        os.ftruncate(descriptor, limiter.WORDS_BYTES)
        return cls(descriptor)

    def close(self) -> None:
        self._words.release()
        self._map.close()
        os.close(self.descriptor)

    def beat(self) -> None:
        """The guard's loop has turned."""
        self._words[limiter.GUARD_BEATS] += 1

    def crew(self, pid: int) -> None:
        """From now on the limiter ends this crew when the guard's loop stands still."""
        self._words[limiter.CREW] = pid

    def guard_beats(self) -> int:
        """0 until the guard's loop turns."""
        return self._words[limiter.GUARD_BEATS]

    def limiter_beats(self) -> int:
        """0 until the limiter watches."""
        return self._words[limiter.LIMITER_BEATS]

    def standing(self) -> str:
        """What the system permitted the limiter, in words."""
        bits = self._words[limiter.STANDING]
        fifo = f"SCHED_FIFO {limiter.PRIORITY}" if bits & limiter.AS_FIFO else "normal priority"
        return f"{fifo}, {'locked in memory' if bits & limiter.LOCKED else 'not locked in memory'}"

    def act(self) -> Act | None:
        """What the limiter has done, as far as it has got with it."""
        words = self._words
        return _act(
            words[limiter.CAUSE],
            words[limiter.CHANNEL],
            words[limiter.READING],
            words[limiter.HELD_MS],
            words[limiter.GONE_US],
            words[limiter.SURVIVORS],
        )


def told(tale: str, run_id: str, inputs: int) -> Act | None:
    """What the limiter of one run wrote down; None when it had nothing to tell, or was another run's.

    `inputs`: how many it watched.
    """
    run, *numbers = tale.split() or [""]
    if run != run_id or len(numbers) != 6 or not all(number.isdigit() for number in numbers):
        return None
    act = _act(*map(int, numbers))
    return None if act is not None and act.cause != "guard-still" and act.channel >= inputs else act


def _act(cause: int, channel: int, reading_mc: int, held_ms: int, gone_us: int, survivors: int) -> Act | None:
    if cause not in _CAUSES:
        return None
    return Act(
        cause=_CAUSES[cause],
        channel=channel,
        reading_c=reading_mc / 1000,
        held_s=held_ms / 1000,
        gone_s=gone_us / 1e6,
        survivors=survivors,
    )
