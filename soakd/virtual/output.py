"""How much work a virtual worker's rounds come to: what its kind of work does in a cycle, times cycles, never evenly.

Speeds of real rounds scatter from one to the next, and wander together for a while because something else ran or the
heat changed. Here that is white noise of each worker, and one first-order process (an exponential likeness in time;
textbook form) of all workers of a stage.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from soakd.model.virtual import Work
    from soakd.virtual.draws import Draws

STEP_S: Final = 0.5
"""The wander stands still for as long."""


class Wander:
    """By what share all workers are faster at a moment of the stage."""

    def __init__(self, work: Work, draws: Draws) -> None:
        self._draws = draws
        self._size = work.wander_percent / 100.0
        self._kept = math.exp(-STEP_S / work.memory_s) if work.memory_s else 0.0
        self._fresh = math.sqrt(1.0 - self._kept * self._kept)
        self._known = [draws.normal(0)]
        """In standard deviations, step by step."""

    def at(self, moment_s: float) -> float:
        step = int(moment_s / STEP_S)
        while len(self._known) <= step:
            self._known.append(self._kept * self._known[-1] + self._fresh * self._draws.normal(len(self._known)))
        return self._size * self._known[step]


class Output:
    """Operations of one worker."""

    def __init__(self, per_cycle: float, work: Work, draws: Draws) -> None:
        self.operations = 0
        """Of whole rounds."""
        self._per_cycle = per_cycle
        self._scatter = work.scatter_percent / 100.0
        self._draws = draws
        self._load_s = 0.0
        self._cycles = 0.0
        self._per_s = 0.0
        self._rounds = 0
        self._done_s = 0.0

    def pass_time(self, load_s: float, clock_mhz: float) -> None:
        """So long it was loaded, at this effective clock."""
        self._load_s += load_s
        self._cycles += load_s * clock_mhz * 1e6

    def count(self, rounds: int, done_s: float) -> None:
        """Rounds in all, and the load in them; the new ones were as fast as the load since the last ones was."""
        if self._load_s:
            self._per_s = self._per_cycle * self._cycles / self._load_s
            self._load_s = self._cycles = 0.0
        fresh = range(self._rounds, rounds)
        off = self._scatter * sum(map(self._draws.normal, fresh)) / len(fresh) if fresh and self._scatter else 0.0
        self.operations += max(0, round((done_s - self._done_s) * self._per_s * (1.0 + off)))
        self._rounds, self._done_s = rounds, done_s
