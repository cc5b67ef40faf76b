"""Leaf: load patterns as pure arithmetic. Imports next to nothing, because every worker process loads it.

Every pattern is one cycle for each worker, repeated from the stage's start: at which moments of it the load comes on
and goes off. Whole nanoseconds throughout, so that who asks for a moment and who adds up a stage agree exactly.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import accumulate, count
from typing import TYPE_CHECKING, Final, NamedTuple

from soakd.splitmix import split_mix

if TYPE_CHECKING:
    from collections.abc import Iterator

RANDOM_PAIRS: Final = 1024
"""Load and rest intervals of a random schedule; a stage that is longer repeats it."""
FOREVER_NS: Final = 2**63 - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """A pattern and its values; those that it does not use are 0."""

    name: str = "steady"
    dwell_ns: int = 0
    period_ns: int = 0
    on_ns: int = 0
    shortest_ns: int = 0
    longest_ns: int = 0
    seed: int = 0


STEADY: Final = Pattern()


class Span(NamedTuple):
    """What one worker does at a moment, and until when."""

    works: bool
    until_ns: int


@dataclass(frozen=True, slots=True)
class Cycle:
    """One worker's part of a pattern. Times count from the stage's start."""

    length_ns: int
    edges_ns: tuple[int, ...]
    """Moments within the cycle at which the load comes on, goes off, comes on ..., ascending."""
    _loaded_ns: tuple[int, ...] = field(init=False, repr=False)
    """Load within the cycle up to each edge."""

    def __post_init__(self) -> None:
        edges = self.edges_ns
        steps = (edges[i] - edges[i - 1] if i % 2 else 0 for i in range(len(edges)))
        object.__setattr__(self, "_loaded_ns", tuple(accumulate(steps)))

    @property
    def full(self) -> bool:
        """Never rests."""
        return self.edges_ns == (0, self.length_ns)

    def at(self, now_ns: int) -> Span:
        """Whether the worker is to work at this moment, and when that changes."""
        if self.full:
            return Span(works=True, until_ns=FOREVER_NS)
        phase_ns = now_ns % self.length_ns
        passed = bisect_right(self.edges_ns, phase_ns)
        next_ns = self.edges_ns[passed] if passed < len(self.edges_ns) else self.length_ns + self.edges_ns[0]
        return Span(works=passed % 2 == 1, until_ns=now_ns - phase_ns + next_ns)

    def load_ns(self, now_ns: int) -> int:
        """Load from the stage's start up to this moment."""
        cycles, phase_ns = divmod(now_ns, self.length_ns)
        whole_ns = cycles * self._loaded_ns[-1]
        passed = bisect_right(self.edges_ns, phase_ns)
        if not passed:
            return whole_ns
        running_ns = phase_ns - self.edges_ns[passed - 1] if passed % 2 else 0
        return whole_ns + self._loaded_ns[passed - 1] + running_ns


def cycle_of(pattern: Pattern, worker: int, workers: int) -> Cycle:
    """The cycle of one of the stage's workers, counted from 0."""
    dwell_ns = pattern.dwell_ns
    match pattern.name:
        case "steady":
            return Cycle(FOREVER_NS, (0, FOREVER_NS))
        case "walking":
            return Cycle(workers * dwell_ns, (worker * dwell_ns, (worker + 1) * dwell_ns))
        case "stepped":
            return Cycle(workers * dwell_ns, (worker * dwell_ns, workers * dwell_ns))
        case "pulsed":
            return Cycle(pattern.period_ns, (0, pattern.on_ns))
        case "random":
            return _random_cycle(pattern.seed, pattern.shortest_ns, pattern.longest_ns)
    raise ValueError(f"no such pattern: {pattern.name}")


def random_intervals(seed: int, shortest_ns: int, longest_ns: int) -> Iterator[int]:
    """Lengths of load, rest, load, rest ..., every scale between the bounds alike.

    From two draws each: the first, modulo the number of octaves, picks an octave above the shortest; the second, modulo
    its width, a place in it.
    """
    ratio = -(-longest_ns // shortest_ns)
    octaves = max(1, (ratio - 1).bit_length())
    draws = (split_mix(seed, index) for index in count())
    for octave, place in zip(draws, draws, strict=False):
        low_ns = shortest_ns << octave % octaves
        yield low_ns + place % (min(2 * low_ns, longest_ns) - low_ns + 1)


@lru_cache(maxsize=8)
def _random_cycle(seed: int, shortest_ns: int, longest_ns: int) -> Cycle:
    """One schedule for all workers: the voltage steps of the cores add up."""
    lengths = random_intervals(seed, shortest_ns, longest_ns)
    ends = list(accumulate(next(lengths) for _ in range(2 * RANDOM_PAIRS)))
    return Cycle(ends[-1], (0, *ends[:-1]))
