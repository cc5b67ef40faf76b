"""The workers of one stage on the virtual bench: whose turn it is, what they have checked, what they got wrong."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from soakd.model.crew import WorkerWrong
from soakd.model.journal import WorkerTotals
from soakd.model.pace import ROUND_S
from soakd.model.pattern import Cycle, cycle_of
from soakd.rules.expected import pattern_of
from soakd.rules.points import register_bits
from soakd.virtual.draws import Draws
from soakd.virtual.output import Output, Wander

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from soakd.model.plan import Stage
    from soakd.model.virtual import Activity, Trouble, VirtualBench, Work

AVERAGED_S: Final = 0.25
"""Load that comes and goes faster than this is taken at its mean."""
_NS: Final = 1e9
_ROUND_NS: Final = round(ROUND_S * _NS)
_SHORTEST_NS: Final = 30_000_000
"""What is left of a turn is a round if it is no shorter; so it is with real workers."""
_ERRORS: Final = 2
_OUTPUT, _WANDER = 2**32, 2**32 + 1
"""Streams beside a worker's errors, beyond the numbers that those draw."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualLook:
    """One worker at one moment."""

    state: str
    beats: int
    clock_mhz: float
    totals: WorkerTotals


class Progress:
    """Rounds of the workers that share one cycle; nanoseconds of the stage."""

    def __init__(self, cycle: Cycle, length_ns: int) -> None:
        self.cycle = cycle
        self.rounds = 0
        self.done_ns = 0
        """Load in them."""
        self.until_ns = 0
        """Moment at which the last one ended."""
        self._length_ns = length_ns
        self._now_ns = 0
        self._rests_long = max(_rests_ns(cycle), default=0) >= _ROUND_NS

    def load_ns(self, now_ns: int) -> int:
        return self.cycle.load_ns(min(now_ns, self._length_ns))

    def advance(self, now_ns: int) -> None:
        """A long rest ends a round, and so does the stage; a short one does not."""
        now_ns = min(now_ns, self._length_ns)
        while self._rests_long and self._now_ns < now_ns:
            span = self.cycle.at(self._now_ns)
            if span.until_ns > now_ns:
                break
            self._now_ns = span.until_ns
            if span.works and self.cycle.at(span.until_ns).until_ns - span.until_ns >= _ROUND_NS:
                self._work(span.until_ns, closes=True)
        self._now_ns = max(self._now_ns, now_ns)
        self._work(now_ns, closes=now_ns == self._length_ns)

    def _work(self, now_ns: int, *, closes: bool) -> None:
        open_ns = self.load_ns(now_ns) - self.done_ns
        whole, rest_ns = divmod(open_ns, _ROUND_NS)
        if whole:
            self.rounds += whole
            self.done_ns += whole * _ROUND_NS
            self.until_ns = max(self.until_ns, now_ns - rest_ns)
        if closes and rest_ns >= _SHORTEST_NS:
            self.rounds += 1
            self.done_ns += rest_ns
            self.until_ns = now_ns


class Shift:
    """One stage's workers. Moments are the bench's; a load for it from `start` on."""

    def __init__(
        self,
        about: VirtualBench,
        stage: Stage,
        instruction_class: str,
        cores: Sequence[int],
        physical: Mapping[int, int],
    ) -> None:
        """`cores`: logical; `physical`: of each of them."""
        self.cores = tuple(cores)
        self.width = register_bits(instruction_class)
        self.activity = of_kind(about.power.activity, stage.kind, self.width)
        self.start_s: float | None = None
        self.end_s = float("inf")
        self._physical = physical
        self._stage = stage
        self._work = about.work
        self._per_cycle = of_kind(about.work, stage.kind, self.width)
        self._troubles = tuple(trouble for trouble in about.troubles if troubled(stage, trouble))
        self._troubles_per_s = sum(1.0 / trouble.every_s for trouble in self._troubles)
        self._sweep_s = about.sweep_s * (stage.memory_percent or 0.0) / 100.0
        self._progress: dict[int, Progress] = {}
        self._distinct: tuple[Progress, ...] = ()
        self._steady: dict[int, float] | None = None
        self._averaged = False
        self._mismatches = dict.fromkeys(self.cores, 0)
        self._cached: dict[int, WorkerTotals] = {}
        self._fates: dict[int, Fate] = {}
        self._outputs: dict[int, Output] = {}
        self._wander: Wander | None = None
        self.wrong: list[WorkerWrong] = []
        """What nobody has taken yet."""

    def start(self, now_s: float, duration_s: float, draws: Mapping[int, Draws]) -> None:
        """`draws`: by logical core."""
        self.start_s, self.end_s = now_s, now_s + duration_s
        pattern, count, length_ns = pattern_of(self._stage), len(self.cores), round(duration_s * _NS)
        shared: dict[Cycle, Progress] = {}
        for place, core in enumerate(self.cores):
            cycle = cycle_of(pattern, place, count)
            self._progress[core] = shared.setdefault(cycle, Progress(cycle, length_ns))
        self._distinct = tuple(shared.values())
        self._averaged = min(ns for each in self._distinct for ns in _spans_ns(each.cycle)) < AVERAGED_S * _NS
        if all(each.cycle.full for each in self._distinct):
            self._steady = {self._physical[core]: 1.0 for core in self.cores}
        self._fates = {core: Fate(draws[core]) for core in self.cores}
        of_output = {core: draws[core].stream(_OUTPUT) for core in self.cores}
        self._outputs = {core: Output(self._per_cycle, self._work, of_output[core]) for core in self.cores}
        self._wander = Wander(self._work, draws[self.cores[0]].stream(_WANDER))

    def edge_after(self, now_s: float) -> float:
        if self._averaged or self._steady is not None or self.start_s is None:
            return self.end_s
        now_ns = self._moment_ns(now_s)
        next_ns = min(each.cycle.at(now_ns).until_ns for each in self._distinct)
        return min(self.end_s, max(self.start_s + next_ns / _NS, now_s + 1.0 / _NS))

    def shares(self, from_s: float, to_s: float) -> Mapping[int, float]:
        """Threads of one core that take turns count as one that works for the longest of their times."""
        if self._steady is not None:
            return self._steady
        found: dict[int, float] = {}
        for core, seconds in self._loads_s(from_s, to_s).items():
            if seconds > 1e-6:
                whole = self._physical[core]
                found[whole] = max(found.get(whole, 0.0), min(1.0, seconds / (to_s - from_s)))
        return found

    def endure(
        self, from_s: float, to_s: float, errors_per_s: Mapping[int, float], clocks_mhz: Mapping[int, float]
    ) -> None:
        loads_s = self._loads_s(from_s, to_s)
        self._produce(loads_s, clocks_mhz, from_s)
        if not self._troubles and not any(errors_per_s.values()):
            return
        now_ns = self._moment_ns(to_s)
        for core, seconds in loads_s.items():
            rate = errors_per_s.get(self._physical[core], 0.0) + self._troubles_per_s
            if rate and self._fates[core].struck(rate * seconds):
                self._progress[core].advance(now_ns)
                self._mismatches[core] += 1
                self.wrong.append(self._fates[core].told(core, self._progress[core].rounds + 1, self._of_memory))

    def _produce(self, loads_s: Mapping[int, float], clocks_mhz: Mapping[int, float], from_s: float) -> None:
        """Threads that are loaded at once share their core's cycles."""
        if self._wander is None:
            return
        steady = 1.0 + self._wander.at(from_s - (self.start_s or 0.0))
        threads = Counter(self._physical[core] for core, seconds in loads_s.items() if seconds)
        for core, seconds in loads_s.items():
            whole = self._physical[core]
            if seconds and whole in clocks_mhz:
                self._outputs[core].pass_time(seconds, steady * clocks_mhz[whole] / threads[whole])

    @property
    def _of_memory(self) -> Trouble | None:
        return next((trouble for trouble in self._troubles if trouble.where == "memory"), None)

    def states(self, now_s: float) -> dict[int, str]:
        """Empty before the start."""
        if now_s >= self.end_s:
            return dict.fromkeys(self.cores, "done")
        now_ns = self._moment_ns(now_s)
        of = {id(each): "working" if each.cycle.at(now_ns).works else "resting" for each in self._distinct}
        return {core: of[id(each)] for core, each in self._progress.items()}

    def totals(self, now_s: float) -> dict[int, WorkerTotals]:
        now_ns = self._moment_ns(now_s)
        for each in self._distinct:
            each.advance(now_ns)
        return {core: self._totals(core) for core in self.cores}

    def _totals(self, core: int) -> WorkerTotals:
        rounds, wrong = (self._progress[core].rounds, self._mismatches[core]) if self._progress else (0, 0)
        cached = self._cached.get(core)
        if cached is None or (cached.rounds, cached.mismatches) != (rounds, wrong):
            done_s = self._progress[core].done_ns / _NS if rounds else 0.0
            if rounds:
                self._outputs[core].count(rounds, done_s)
            cached = self._cached[core] = WorkerTotals(
                core=core,
                rounds=rounds,
                operations=self._outputs[core].operations if rounds else 0,
                mismatches=wrong,
                sweeps=int(done_s / self._sweep_s) if self._sweep_s else 0,
                work_s=done_s,
                checked_s=done_s,
                core_s=done_s,
                until_s=self._progress[core].until_ns / _NS if rounds else 0.0,
            )
        return cached

    def _loads_s(self, from_s: float, to_s: float) -> dict[int, float]:
        """Logical core to seconds of load."""
        from_ns, to_ns = self._moment_ns(from_s), self._moment_ns(to_s)
        of = {id(each): (each.load_ns(to_ns) - each.load_ns(from_ns)) / _NS for each in self._distinct}
        return {core: of[id(each)] for core, each in self._progress.items()}

    def _moment_ns(self, now_s: float) -> int:
        return 0 if self.start_s is None else round((now_s - self.start_s) * _NS)


class Fate:
    """When a worker goes wrong: the expected errors add up, and at thresholds drawn before one happens.

    So it does not matter in how many steps the time passes (a Poisson process in its own time; textbook).
    """

    def __init__(self, draws: Draws) -> None:
        self._draws = draws
        self._count = 0
        self._expected = 0.0
        self._next = draws.exponential(0)

    def struck(self, expected: float) -> bool:
        """So many errors more were to be expected; at most one is told."""
        self._expected += expected
        if self._expected < self._next:
            return False
        self._count += 1
        self._next = self._expected + self._draws.exponential(3 * self._count)
        return True

    def told(self, core: int, number: int, of_memory: Trouble | None = None) -> WorkerWrong:
        """One bit of a word; of a word of memory in the lane and with the re-readings that its trouble has."""
        right = self._draws.word(3 * self._count + 1)
        bit, where = self._draws.word(3 * self._count + 2) % 64, "as the model drew it"
        if of_memory is not None:
            bit = bit if of_memory.lane is None else 8 * of_memory.lane + bit % 8
            where += f", byte lane {bit // 8}" + (f", re-reads: 3 {of_memory.again}" if of_memory.again else "")
        return WorkerWrong(core=core, round=number, where=where, expected=right, actual=right ^ 1 << bit)


def troubled(stage: Stage, trouble: Trouble) -> bool:
    """Whether it shows in this stage."""
    if trouble.where == "edges":
        return stage.pattern in {"pulsed", "random"}
    return stage.kind == trouble.where


def of_kind(table: Activity | Work, kind: str, width: int) -> float:
    if kind in {"integer", "vector"}:
        by_width = {64: table.integer, 128: table.vector_128, 256: table.vector_256, 512: table.vector_512}
        return by_width[width]
    return {"memory": table.memory, "exchange": table.exchange, "mixed": table.mixed}[kind]


def error_draws(seed: int, stage: int, core: int) -> Draws:
    """One stream for each core and stage."""
    return Draws(seed, _ERRORS, stage, core)


def _spans_ns(cycle: Cycle) -> list[int]:
    """Lengths of loads and rests."""
    return [later - sooner for sooner, later in pairwise((*cycle.edges_ns, cycle.length_ns)) if later > sooner]


def _rests_ns(cycle: Cycle) -> list[int]:
    """Lengths of the rests, the one over the cycle's end in one piece."""
    edges = cycle.edges_ns
    around = (*edges, cycle.length_ns + edges[0])
    return [around[place + 1] - around[place] for place in range(1, len(edges), 2)]
