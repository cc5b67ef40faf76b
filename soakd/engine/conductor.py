"""Conducts one run: feeds everything that happens to the guard, in one loop, and acts on its decisions at once.

Sensors and crew run in threads and processes of their own and put what they have into one queue; this loop drains it.
It never waits for a disk, a network or a reader: what it has to tell goes to a sink that must not block.
"""

from __future__ import annotations

import contextlib
import queue
from typing import TYPE_CHECKING

from soakd.engine.cooling import watch_cooling
from soakd.engine.messages import Confirmed, StopAsked
from soakd.model.channels import Batch
from soakd.model.crew import CrewLost, CrewPrepared, CrewRefused, WorkerExited, WorkerReady, WorkerWrong
from soakd.model.finding import Finding
from soakd.model.journal import Found, LoadStopped, Prepared, RunEnded, StageAnnounced, StageEnded, StageStarted, Tick
from soakd.rules.gather import class_key, probe_channel
from soakd.rules.guard import Decision, Guard

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from soakd.clock import Clock
    from soakd.engine.messages import Message
    from soakd.model.crew import WorkerLook
    from soakd.model.journal import Throttles
    from soakd.model.plan import Stage
    from soakd.model.run import RunRecord
    from soakd.ports import Crew, Sampler, Sink

LOOK_S = 0.1
"""How often the workers are looked at when nothing else happens."""
CONFIRM_DEADLINE_S = 20.0
"""How long the journal may take to make a stage's announcement durable."""
PREPARE_DEADLINE_S = 60.0
END_DEADLINE_S = 30.0
"""How long after a stage's time its workers may take to be gone: their last round, and the end of it told."""
FIRST_TICK = 1.25
AT_REST = "no new round"
"""Why a probe has no reading; no gap in what is watched, and not worth keeping for every core and tick."""
MOST_BEHIND_S = 10.0
"""How far behind the journal may fall before the load is stopped: what is not on record proves nothing."""


class _Stopped(Exception):  # noqa: N818 - a way out of the loop, not an error
    """The load is gone; nothing more is to be run."""


class Conductor:
    """One run from the first reading to the guard's last word."""

    def __init__(
        self,
        record: RunRecord,
        *,
        guard: Guard,
        crew: Crew,
        sampler: Sampler,
        inbox: queue.SimpleQueue[Message],
        sink: Sink,
        clock: Clock,
        priority: str,
        cost: Callable[[], tuple[float, float]],
        throttles: Callable[[], Throttles | None] = lambda: None,
    ) -> None:
        """`cost`: processor seconds and peak MiB that the guard's own process has used. `throttles`: how often the
        processor has held itself back so far; asked before and after each stage.
        """
        self._record = record
        self._guard = guard
        self._crew = crew
        self._sampler = sampler
        self._inbox = inbox
        self._sink = sink
        self._clock = clock
        self._priority = priority
        self._cost = cost
        self._throttles = throttles
        self.look_s = LOOK_S
        self.pulse: Callable[[float], Finding | None] = lambda _: None
        """Called at every turn of the loop, for those who watch it; what it returns ends the load."""
        self._origin_s = guard.begun_s
        self._tick_number = 0
        self._stage: int | None = None
        self._prepared: CrewPrepared | None = None
        self._confirmed: int | None = None
        self._ready: set[int] = set()
        self._exited: set[int] = set()
        self._late_readings: dict[str, int] = {}
        self._rounds: dict[int, int] = {}
        self._loaded = False

    def run(self) -> None:
        """All stages, or up to the first decision that ends the load."""
        self._sampler.start(self._inbox.put)
        try:
            self._prepare()
            for number, stage in enumerate(self._record.plan.stages):
                self._run_stage(number, stage)
        except _Stopped:
            self._watch_cooling()
        finally:
            self._sampler.stop()
            self._crew.kill()
        self._sink.put(self._last_word())

    def _prepare(self) -> None:
        programs = {(s.kernel, self._record.classes[class_key(s)]) for s in self._record.plan.stages}
        self._crew.prepare(sorted(programs), drill=self._record.drill, issue_order=self._record.issue_order)
        self._pump(lambda: self._prepared is not None, PREPARE_DEADLINE_S, "the kernels were not built in time")
        self._sink.put(
            Prepared(
                at_s=self._now(),
                crew_pid=self._crew.pid,
                priority=self._priority,
                digests=self._prepared.digests if self._prepared else {},
            )
        )

    def _run_stage(self, number: int, stage: Stage) -> None:
        self._sink.put(StageAnnounced(at_s=self._now(), stage=number, throttles=self._throttles()))
        self._pump(
            lambda: self._confirmed == number,
            CONFIRM_DEADLINE_S,
            "the journal did not confirm the stage in time: nothing is loaded that is not on record",
        )
        self._ready.clear()
        self._exited.clear()
        cores = self._crew.begin(stage, self._record.classes[class_key(stage)], self._record.cores)
        self._enter_stage(number)
        self._pump(lambda: self._ready >= set(cores))
        self._crew.go(stage.duration_s)
        self._loaded = True
        self._enter_stage(number)
        self._sink.put(StageStarted(at_s=self._now(), stage=number, pids=self._crew.pids))
        late = "the stage's time is over, and nothing was heard of the end of its workers"
        self._pump(lambda: self._exited >= set(cores), stage.duration_s + END_DEADLINE_S, late, rule="crew-lost")
        self._end_stage(complete=True)

    def _enter_stage(self, number: int) -> None:
        """Once when the workers appear, once more when the load begins."""
        self._stage = number
        stage = self._record.plan.stages[number]
        self._guard.stage_begins(number, self._record.classes[class_key(stage)], self._clock.monotonic())

    def _end_stage(self, *, complete: bool) -> None:
        if self._stage is None:
            return
        self._sink.put(
            StageEnded(
                at_s=self._now(),
                stage=self._stage,
                complete=complete,
                workers=tuple(look.totals for look in self._crew.look().values()),
                throttles=self._throttles(),
            )
        )
        self._guard.stage_ends(self._clock.monotonic())
        self._stage = None

    def _pump(
        self, done: Callable[[], bool], deadline_s: float | None = None, late: str = "", rule: str = "not-started"
    ) -> None:
        """Drain the queue until `done`; every message, every look and every tick passes the guard on the way."""
        began_s = self._clock.monotonic()
        while not done():
            now_s = self._clock.monotonic()
            if deadline_s is not None and now_s - began_s > deadline_s:
                self._stop(now_s, Finding(rule=rule, weight="inconclusive", text=late))
            with contextlib.suppress(queue.Empty):
                self._take(self._inbox.get(timeout=max(0.0, min(self.look_s, self._tick_due() - now_s))))
            self._look()
            self._tick()

    def _take(self, message: Message) -> None:
        now_s = self._beat()
        match message:
            case Batch():
                self._late_readings[message.source] = message.late_ticks
                self._act(self._guard.readings(message), message.at_s)
            case WorkerWrong():
                self._act(self._guard.wrong(message, now_s), now_s)
            case WorkerExited():
                self._on_exit(message, now_s)
            case WorkerReady():
                self._ready.add(message.core)
            case CrewPrepared():
                self._prepared = message
            case CrewRefused():
                rule, weight = ("wrong-at-rest", "fail") if message.wrong else ("worker-refused", "inconclusive")
                self._stop(now_s, Finding.model_validate({"rule": rule, "weight": weight, "text": message.reason}))
            case CrewLost():
                text = "the crew cannot be heard any more: its parent process is gone, and every worker with it"
                self._stop(now_s, Finding(rule="crew-lost", weight="inconclusive", text=text))
            case Confirmed():
                self._confirmed = message.stage
            case StopAsked():
                self._stop(now_s, Finding(rule=message.rule, weight="inconclusive", text=message.text))

    def _on_exit(self, message: WorkerExited, now_s: float) -> None:
        look = self._crew.look().get(message.core)
        if message.code == 0 and look is not None and look.state == "done":
            self._exited.add(message.core)
        else:
            self._act(self._guard.exited(message, now_s), now_s)

    def _look(self) -> None:
        now_s = self._beat()
        if self._stage is None:
            self._act(self._guard.blind(now_s), now_s)
        else:
            self._act(self._guard.looks(self._crew.look(), now_s, self._crew.process_state), now_s)

    def _tick_due(self) -> float:
        """A little after the sources' own grid, so that a row holds what was just read; first after two readings."""
        return self._origin_s + (self._tick_number + FIRST_TICK) * self._record.plan.guard.tick_s

    def _tick(self) -> None:
        now_s = self._clock.monotonic()
        late_s = now_s - self._tick_due()
        if late_s < 0:
            return
        looks = self._crew.look() if self._stage is not None else {}
        self._guard.readings(self._probes(looks, now_s))
        values, gaps, decisions = self._guard.tick(now_s, late_s, self._clock.suspended())
        self._sink.put(
            Tick(
                at_s=self._now(),
                number=self._tick_number,
                stage=self._stage,
                late_s=late_s,
                values=values,
                gaps={name: why for name, why in gaps.items() if why != AT_REST},
                workers=tuple(look.totals for look in looks.values()),
            )
        )
        self._tick_number += 1 + int(late_s // self._record.plan.guard.tick_s)
        self._act(decisions, now_s)
        if self._sink.behind_s() > MOST_BEHIND_S:
            text = f"the journal is more than {MOST_BEHIND_S:g} s behind"
            self._stop(now_s, Finding(rule="journal-stalled", weight="inconclusive", text=text))

    def _probes(self, looks: Mapping[int, WorkerLook], now_s: float) -> Batch:
        """The clocks that workers measured on themselves since the last tick; a core without a new round has none."""
        rounds = {core: look.totals.rounds for core, look in looks.items()}
        moved = {core for core, count in rounds.items() if count > self._rounds.get(core, 0)}
        self._rounds = rounds
        clocks = {probe_channel(core): looks[core].clock_mhz for core in moved if looks[core].clock_mhz}
        still = {name for core in self._record.cores if (name := probe_channel(core)) not in clocks}
        return Batch(source="probe", at_s=now_s, values=clocks, gaps=dict.fromkeys(still, AT_REST))

    def _act(self, decisions: list[Decision], since_s: float) -> None:
        """Stop first, tell afterwards."""
        stops = any(decision.stops for decision in decisions)
        survivors = self._crew.kill() if stops else 0
        gone_s = self._clock.monotonic() - since_s
        for decision in decisions:
            self._sink.put(Found(at_s=self._now(), finding=decision.finding, stops=decision.stops))
        if stops:
            self._sink.put(LoadStopped(at_s=self._now(), gone_s=gone_s, survivors=survivors))
            self._end_stage(complete=False)
            self._guard.load_gone(self._clock.monotonic(), survivors=survivors)
            raise _Stopped

    def _stop(self, now_s: float, finding: Finding) -> None:
        placed = finding.model_copy(update={"at_s": max(0.0, now_s - self._origin_s), "stage": self._stage})
        self._act([Decision(finding=placed)], now_s)

    def _beat(self) -> float:
        now_s = self._clock.monotonic()
        if (found := self.pulse(now_s)) is not None:
            self._stop(now_s, found)
        return now_s

    def _watch_cooling(self) -> None:
        if self._loaded:
            tick_s = self._record.plan.guard.tick_s
            watch_cooling(self._guard, self._inbox, self._sink, self._clock, tick_s=tick_s, turn=self.pulse)

    def _now(self) -> float:
        return self._clock.monotonic() - self._origin_s

    def _last_word(self) -> RunEnded:
        cpu_s, peak_mib = self._cost()
        return RunEnded(
            at_s=self._now(),
            ticks_due=self._guard.ticks_due,
            ticks_lost=self._guard.ticks_lost,
            late_readings=self._late_readings,
            guard_cpu_s=cpu_s,
            guard_peak_mib=peak_mib,
        )
