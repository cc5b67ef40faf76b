"""A crew whose workers are numbers: it answers as the real one does, on the virtual bench and its timeline."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from soakd.model.crew import CrewLost, CrewPrepared, WorkerExited, WorkerReady
from soakd.model.journal import Throttles
from soakd.rules.expected import stage_cores
from soakd.virtual.shift import Shift, VirtualLook, error_draws

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from soakd.model.crew import CrewEvent
    from soakd.model.plan import Stage
    from soakd.virtual.bench import Bench
    from soakd.virtual.timeline import Timeline

PREPARE_S: Final = 2.0
"""Building and trying the kernels (about what it takes; common practice, no source)."""
READY_S: Final = 0.2
GLANCE_S: Final = 0.1
"""How often something happens, so that somebody looks, while a worker stands still."""
_FIRST_PID: Final = 1_000_000
_BEATS_PER_S: Final = 1000.0


class VirtualCrew:
    """One worker for each logical core of a stage."""

    def __init__(
        self,
        bench: Bench,
        timeline: Timeline,
        emit: Callable[[CrewEvent], None],
        *,
        physical: Mapping[int, int],
        seed: int = 0,
    ) -> None:
        """`physical`: logical core to physical core."""
        self._bench = bench
        self._timeline = timeline
        self._emit = emit
        self._physical = physical
        self._seed = seed
        self._shift: Shift | None = None
        self._ready: set[int] = set()
        self._stages = 0
        self._alive = True
        self._hung = frozenset(core for core in physical if bench.faults.hangs_s(core) < float("inf"))
        self._still: dict[int, VirtualLook] = {}
        """How a core that hangs is seen from then on."""
        self._looks: dict[int, VirtualLook] = {}
        self._looked_s = -1.0

    @property
    def pid(self) -> int:
        return _FIRST_PID

    @property
    def pids(self) -> dict[int, int]:
        return {core: self._pid(core) for core in sorted(self._ready)}

    def prepare(self, programs: Sequence[tuple[str, str]], *, drill: bool, issue_order: str | None = None) -> None:
        """Nothing is built; none of what is asked for makes a difference."""
        del programs, drill, issue_order
        self._timeline.at(self._timeline.monotonic() + PREPARE_S, lambda: self._say(CrewPrepared(digests={})))

    def begin(self, stage: Stage, instruction_class: str, bench_cores: Sequence[int]) -> tuple[int, ...]:
        cores = stage_cores(stage, bench_cores)
        shift = self._shift = Shift(self._bench.about, stage, instruction_class, cores, self._physical)
        self._ready = set()
        self._still = {}
        self._looked_s = -1.0
        self._stages += 1
        self._timeline.at(self._timeline.monotonic() + READY_S, lambda: self._get_ready(shift))
        return cores

    def go(self, duration_s: float) -> None:
        shift, now_s = self._of_now(), self._timeline.monotonic()
        self._bench.advance(now_s)
        shift.start(now_s, duration_s, {c: error_draws(self._seed, self._stages, c) for c in shift.cores})
        self._bench.load = shift
        self._looked_s = -1.0
        self._timeline.at(shift.end_s, lambda: self._end(shift))
        hangs_s = min(self._bench.faults.hangs_s(core) for core in shift.cores)
        if hangs_s < shift.end_s:
            self._timeline.every(max(now_s, hangs_s), GLANCE_S, lambda: self._alive and self._shift is shift)

    def look(self) -> dict[int, VirtualLook]:
        """Also tells what has gone wrong meanwhile."""
        shift, now_s = self._shift, self._timeline.monotonic()
        if shift is None:
            return {}
        if shift.start_s is not None:
            self._catch_up(shift, now_s)
        if self._looked_s != now_s or shift.wrong:
            self._tell_wrong(shift)
            self._looked_s, self._looks = now_s, self._looked(shift, now_s)
        return self._looks

    def process_state(self, core: int) -> str | None:
        """A core that hangs is running, as far as anybody can tell."""
        return "R" if self._alive and core in self._ready else None

    def kill(self) -> int:
        self._bench.load = None
        if self._alive:
            self._alive = False
            self._emit(CrewLost())
        return 0

    def _get_ready(self, shift: Shift) -> None:
        for core in shift.cores if shift is self._shift else ():
            self._ready.add(core)
            self._looked_s = -1.0
            self._say(WorkerReady(core=core, pid=self._pid(core), note=""))

    def _end(self, shift: Shift) -> None:
        if not self._alive or shift is not self._shift:
            return
        self._bench.advance(shift.end_s)
        self._tell_wrong(shift)
        self._bench.load = None
        for core in shift.cores:
            if self._bench.faults.hangs_s(core) > shift.end_s:
                self._say(WorkerExited(core=core, pid=self._pid(core), code=0))

    def _catch_up(self, shift: Shift, now_s: float) -> None:
        """The bench need not be at this moment, unless the load has changed since it was last moved on."""
        was_s = self._bench.now_s
        if self._bench.load is shift and (was_s <= (shift.start_s or 0.0) or shift.edge_after(was_s) <= now_s):
            self._bench.advance(now_s)

    def _tell_wrong(self, shift: Shift) -> None:
        while shift.wrong:
            self._say(shift.wrong.pop(0))

    def _looked(self, shift: Shift, now_s: float) -> dict[int, VirtualLook]:
        started, beats, clocks_mhz = shift.start_s is not None, round(now_s * _BEATS_PER_S), self._bench.clocks_mhz
        states = shift.states(now_s)
        found = {
            core: VirtualLook(
                state=states[core] if started else "ready" if core in self._ready else "starting",
                beats=beats,
                clock_mhz=clocks_mhz.get(self._physical[core], 0.0) if started else 0.0,
                totals=totals,
            )
            for core, totals in shift.totals(now_s).items()
        }
        for core in self._hung & found.keys():
            if now_s >= self._bench.faults.hangs_s(core):
                found[core] = self._still.setdefault(core, found[core])
        return found

    def _say(self, event: CrewEvent) -> None:
        if self._alive:
            self._emit(event)

    def _of_now(self) -> Shift:
        if self._shift is None:
            raise RuntimeError("nobody is ready: `begin` comes first")
        return self._shift

    def _pid(self, core: int) -> int:
        return _FIRST_PID + 1 + core


def throttles(bench: Bench, physical: Mapping[int, int]) -> Throttles:
    """How often the virtual processor has held itself back; all cores at once."""
    heat, power = bench.restraint.heat_count, bench.restraint.power_count
    return Throttles(heat=dict.fromkeys(physical, heat), power=dict.fromkeys(physical, power))
