"""Which cores of a stage are loaded together, and when: what the number of active cores follows from."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.model.pattern import cycle_of
from soakd.rules.expected import pattern_of, stage_cores
from soakd.rules.points import POINT_KINDS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from soakd.model.plan import Stage

_NS = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A part of a stage's pattern in which the same cores are loaded."""

    workers: frozenset[int]
    """Logical cores."""
    threads: Mapping[int, int]
    """Physical core to how many of its logical ones are loaded."""
    fewest: int
    """The least number of active physical cores: 1 where cores wait for each other, or where the load comes and goes
    faster than anybody looks."""

    @property
    def active(self) -> int:
        """Active physical cores while the load is on."""
        return len(self.threads)


class Turns:
    """A stage's turns on the time axis that begins with its load."""

    def __init__(self, stage: Stage, bench_cores: Sequence[int], physical: Mapping[int, int]) -> None:
        """`physical`: logical core to physical core; one that it lacks is a core of its own."""
        cores = stage_cores(stage, bench_cores)
        pattern = pattern_of(stage)
        match stage.pattern:
            case "walking":
                parts = [cores[place : place + 1] for place in range(len(cores))]
            case "stepped":
                parts = [cores[: place + 1] for place in range(len(cores))]
            case _:
                parts = [cores]
        self.duration_s = stage.duration_s
        rests = stage.pattern in {"pulsed", "random"} or stage.kind not in POINT_KINDS
        self.turns = tuple(_turn(part, physical, rests=rests) for part in parts)
        self._slot_ns = pattern.dwell_ns if len(parts) > 1 else 0
        self._cycle = cycle_of(pattern, 0, len(cores))

    def between(self, from_s: float, to_s: float) -> Iterator[tuple[Turn, float]]:
        """Every turn that falls into this time, in order, with the seconds of load in it; none outside the stage."""
        from_ns, to_ns = (round(max(0.0, min(moment_s, self.duration_s)) * _NS) for moment_s in (from_s, to_s))
        if not self._slot_ns:
            yield self.turns[0], (self._cycle.load_ns(to_ns) - self._cycle.load_ns(from_ns)) / _NS
            return
        slot, slot_ns = from_ns // self._slot_ns, self._slot_ns
        while slot * slot_ns < to_ns:
            inside_ns = min(to_ns, (slot + 1) * slot_ns) - max(from_ns, slot * slot_ns)
            yield self.turns[slot % len(self.turns)], inside_ns / _NS
            slot += 1

    def planned(self) -> dict[tuple[int, int], float]:
        """Physical core and number of active cores to the seconds of load that the stage gives them."""
        found: dict[tuple[int, int], float] = {}
        for turn, seconds in self.between(0.0, self.duration_s):
            for core in turn.threads:
                found[core, turn.active] = found.get((core, turn.active), 0.0) + seconds
        return found


def _turn(cores: Sequence[int], physical: Mapping[int, int], *, rests: bool) -> Turn:
    threads = Counter(physical.get(core, core) for core in cores)
    return Turn(workers=frozenset(cores), threads=threads, fewest=1 if rests else len(threads))
