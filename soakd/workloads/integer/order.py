"""A good issue order for `streams` on a core family that nobody has tuned: a search of some seconds, run once and kept.

Hill climbing by random exchanges: which operation waits for which scheduler is not published well enough to compute.
Every permutation of an order is an order, so no step can be wrong, only slow.  A sample is a few short windows of one
kernel between two clock probes, in cycles; a disturbed sample counts as infinitely slow.  Samples err upwards far more
often than downwards, so a better one is believed only when seen twice, and the result must beat the shipped order by
more than the noise in alternating samples at the end; otherwise it is the shipped order.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from time import thread_time_ns
from typing import TYPE_CHECKING, Final

from soakd.errors import WorkloadError
from soakd.workloads.classes import CLASSES
from soakd.workloads.clockprobe import STEADY, ClockProbe
from soakd.workloads.integer import streams

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    Cost = Callable[[str], float]

SEARCH_S: Final = 2.5
"""Processor time; longer by the clock where the core is shared."""
NOISE: Final = 0.005
"""An order counts as faster when it is by more than this share (probe and windows repeat to 0.2 %)."""
_FIRST: Final = 3
"""Samples of the start: it is not to lose to chance alone."""
_DUELS: Final = 7
_UNDISTURBED: Final = 4
"""So many of each order's duels have to be, or there are more of them."""
_MOST_DUELS: Final = 100
_COUNTS: Final = 5_000
_WINDOWS: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What a search came to."""

    order: str
    """Never slower than the shipped one beyond noise."""
    cycles_per_step: float
    shipped_cycles_per_step: float
    """The shipped order, measured in the same run."""
    trials: int


def exchanged(order: str, rng: random.Random) -> str:
    """One to three random exchanges of two operations of different chains."""
    places = list(order)
    for _ in range(rng.randint(1, 3)):
        first = rng.randrange(len(places))
        second = rng.choice([i for i, chain in enumerate(places) if chain != places[first]])
        places[first], places[second] = places[second], places[first]
    return "".join(places)


def climb(start: str, cost: Cost, rng: random.Random, more: Callable[[], bool]) -> tuple[str, int]:
    """Keep every exchange that is cheaper twice, while `more()`; returns the order and the number tried."""
    best, lowest, trials = start, min(cost(start) for _ in range(_FIRST)), 0
    while more():
        candidate = exchanged(best, rng)
        trials += 1
        if cost(candidate) < lowest and (again := cost(candidate)) < lowest:
            best, lowest = candidate, again
    return best, trials


def settle(shipped: str, found: str, cost: Cost) -> tuple[str, float, float]:
    """Of two orders, the shipped one unless the other is faster beyond noise; with the cost of the chosen and of it.

    The second lowest sample counts: now and then one is too low, and it would be believed for good. Raises
    WorkloadError when the clock never kept still for long enough.
    """
    samples: list[tuple[float, float]] = []
    while len(samples) < _DUELS or (_disturbed(samples) and len(samples) < _MOST_DUELS):
        samples.append((cost(shipped), cost(found)))
    if _disturbed(samples):
        raise WorkloadError(f"the clock did not keep still: {_MOST_DUELS} duels of two orders settled nothing")
    ours, theirs = (sorted(column)[1] for column in zip(*samples, strict=True))
    return (found, theirs, ours) if theirs < ours * (1 - NOISE) else (shipped, ours, ours)


def _disturbed(samples: Sequence[tuple[float, float]]) -> bool:
    return any(sum(map(math.isfinite, column)) < _UNDISTURBED for column in zip(*samples, strict=True))


def cycles_per_step(order: str, probe: ClockProbe) -> float:
    """Cycles that one step takes in this order, infinite when the clock moved meanwhile; raises WorkloadError."""
    program = streams.build(CLASSES["scalar"], text=streams.x86_text(order))
    task = program.task(memory_bytes=0, beat=_no_beat)
    task.load(streams.Streams().fresh())
    before = probe.mhz()
    windows_ns = []
    for _ in range(_WINDOWS):
        begun_ns = thread_time_ns()
        task.advance(_COUNTS)
        windows_ns.append(thread_time_ns() - begun_ns)
    after = probe.mhz()
    if abs(before - after) > STEADY * before:
        return math.inf
    return min(windows_ns) * (before + after) / 2e3 / (_COUNTS * streams.UNROLL)


def _no_beat() -> None:
    """A search of a few seconds has no heartbeat."""


def search(*, seed: int, start: str = streams.ORDER, seconds: float = SEARCH_S) -> Found:
    """Search from `start` for about `seconds` of processor time; raises WorkloadError where there is no clock probe."""
    probe = ClockProbe()
    probe.mhz()

    def cost(order: str) -> float:
        return cycles_per_step(order, probe)

    end_ns = thread_time_ns() + int(seconds * 1e9)
    rng = random.Random(seed)  # noqa: S311  (a search, not a secret)
    best, trials = climb(start, cost, rng, lambda: thread_time_ns() < end_ns)
    order, cycles, shipped_cycles = settle(streams.ORDER, best, cost)
    return Found(order=order, cycles_per_step=cycles, shipped_cycles_per_step=shipped_cycles, trials=trials)
