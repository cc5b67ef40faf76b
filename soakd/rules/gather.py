"""From the journal's events to evidence: the same code for a run that has just ended and for an orphan found later."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from statistics import median
from typing import TYPE_CHECKING

from soakd.model.channels import Role
from soakd.model.journal import (
    Cooling,
    Found,
    LoadStopped,
    Prepared,
    RunEnded,
    StageAnnounced,
    StageEnded,
    StageStarted,
    Tick,
    Watched,
    WorkerTotals,
)
from soakd.model.verdict import ClockSummary, Coverage, Evidence, StageResult, WorkerResult
from soakd.rules.channel_tally import ChannelTally
from soakd.rules.expected import planned_seconds, stage_cores
from soakd.rules.margins import Margins
from soakd.rules.measuring import Measuring
from soakd.rules.points import register_bits
from soakd.rules.temperatures import Temperatures
from soakd.rules.throttling import Throttling
from soakd.rules.visits import Visits

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.model.finding import Finding
    from soakd.model.journal import Event
    from soakd.model.plan import Stage
    from soakd.model.run import RunRecord
    from soakd.model.snapshot import Snapshot
    from soakd.model.verdict import ChannelSummary, PointVisit


@dataclass(slots=True)
class _StageTally:
    totals: dict[int, WorkerTotals] = field(default_factory=dict)
    clocks: dict[int, array[float]] = field(default_factory=dict)
    started: bool = False
    complete: bool = False


class Gatherer:
    """Feed it every event of a run in order; ask for the evidence at any time."""

    def __init__(self, record: RunRecord, units: Mapping[str, str]) -> None:
        """`units`: kind of workload to what its operations count."""
        self.record = record
        self._units = units
        self._channels = {
            info.name: ChannelTally(info, tuple(b for b in record.bounds if b.is_plain and b.channel == info.name))
            for info in record.channels
        }
        self._stages = [_StageTally() for _ in record.plan.stages]
        self._visits = Visits(record, [register_bits(record.classes[class_key(s)]) for s in record.plan.stages])
        self._throttling = Throttling()
        self._margins = Margins(record)
        self._measuring = Measuring(record)
        self._temperatures = Temperatures(record)
        self._findings: list[Finding] = []
        self._watched: Watched | None = None
        self._prepared: Prepared | None = None
        self._stopped: LoadStopped | None = None
        self._ended: RunEnded | None = None
        self._announced = False
        self.last_s = 0.0
        """Moment of the last event; what comes while the bench cools after a stop does not count."""
        self._cooling_s: float | None = None
        self._ticks = 0

    @property
    def ended_cleanly(self) -> bool:
        """The guard has said its last word."""
        return self._ended is not None

    @property
    def load_gone(self) -> bool:
        """It was stopped, and every worker was seen gone."""
        return self._stopped is not None and not self._stopped.survivors

    def has_found(self, rule: str) -> bool:
        return any(finding.rule == rule for finding in self._findings)

    def points(self) -> tuple[PointVisit, ...]:
        """Every operating point, as it stands now."""
        return self._visits.points()

    def stages(self) -> tuple[StageResult, ...]:
        """Every stage, as it stands now."""
        return tuple(self._stage_result(number) for number in range(len(self._stages)))

    def add(self, event: Event) -> None:
        self._pass_time(event)
        self._margins.take(event)
        self._measuring.take(event)
        self._temperatures.take(event)
        match event:
            case Tick():
                self._tick(event)
            case Found():
                self._findings.append(event.finding)
            case Watched():
                self._watched = event
            case Prepared():
                self._prepared = event
            case StageStarted():
                self._stages[event.stage].started = True
                self._visits.begin(event.at_s)
            case StageEnded():
                self._stage_ended(event)
            case LoadStopped():
                self._stopped = event
            case RunEnded():
                self._ended = event
            case StageAnnounced():
                self._announced = True
                self._throttling.before(event.throttles)

    def _pass_time(self, event: Event) -> None:
        if isinstance(event, Cooling):
            self._cooling_s = max(0.0, event.at_s - self.last_s)
        elif self._cooling_s is None:
            self.last_s = max(self.last_s, event.at_s)

    def _tick(self, tick: Tick) -> None:
        self._ticks += 1
        for name, value in tick.values.items():
            self._channels[name].value(value)
        for name, reason in tick.gaps.items():
            self._channels[name].gap(reason)
        self._visits.read(tick.values)
        if tick.stage is None:
            return
        tally = self._stages[tick.stage]
        tally.started = True
        tally.totals.update({totals.core: totals for totals in tick.workers})
        cores = stage_cores(self.record.plan.stages[tick.stage], self.record.cores)
        clocks = {core: clock for core in cores if (clock := tick.values.get(probe_channel(core))) is not None}
        for core, clock in clocks.items():
            tally.clocks.setdefault(core, array("f")).append(clock)
        self._visits.work(tick.stage, tick.at_s, tick.workers, clocks)

    def _stage_ended(self, event: StageEnded) -> None:
        tally = self._stages[event.stage]
        tally.complete = event.complete
        tally.totals.update({totals.core: totals for totals in event.workers})
        self._visits.work(event.stage, event.at_s, event.workers, {})
        self._throttling.after(event.throttles)

    def evidence(
        self,
        *,
        finished_utc: str,
        same_boot: bool,
        suspended_s: float,
        snapshot_after: Snapshot | None,
        reset_by_watchdog: bool | None = None,
    ) -> Evidence:
        stages = self.stages()
        channels = tuple(tally.summary() for tally in self._channels.values())
        ended = self._ended
        steal = [c for c in channels if c.role == Role.STOLEN_TIME.value and c.mean is not None]
        return Evidence(
            finished_utc=finished_utc,
            duration_s=self.last_s,
            ended_cleanly=self.ended_cleanly,
            load_announced=self._announced,
            same_boot=same_boot,
            reset_by_watchdog=reset_by_watchdog,
            suspended_s=suspended_s,
            priority=self._prepared.priority if self._prepared else None,
            limiter=self._watched.limiter if self._watched else None,
            watchdog=self._watched.watchdog if self._watched else None,
            digests=self._prepared.digests if self._prepared else {},
            findings=self._temperatures.told(self._findings),
            stages=stages,
            channels=channels,
            limits=self._margins.summaries(),
            coverage=self._coverage(stages, channels),
            points=self.points(),
            throttled=self._throttling.counted(),
            steal_percent_mean=max((c.mean or 0.0 for c in steal), default=None),
            steal_percent_max=max((c.maximum or 0.0 for c in steal), default=None),
            ticks_due=ended.ticks_due if ended else self._ticks,
            ticks_lost=ended.ticks_lost if ended else 0,
            late_readings=ended.late_readings if ended else {},
            load_gone_s=self._stopped.gone_s if self._stopped else None,
            survivors=self._stopped.survivors if self._stopped else 0,
            cooling_s=self._cooling_s,
            guard_cpu_percent=100.0 * ended.guard_cpu_s / ended.at_s if ended and ended.at_s else None,
            guard_peak_mib=ended.guard_peak_mib if ended else None,
            snapshot_after=snapshot_after,
            measured=self._measuring.measured(stages, same_boot=same_boot),
        )

    def _stage_result(self, number: int) -> StageResult:
        stage, tally = self.record.plan.stages[number], self._stages[number]
        planned = planned_seconds(stage, self.record.cores)
        workers = tuple(self._worker_result(tally, core, seconds) for core, seconds in planned.items())
        operations = sum(worker.totals.operations for worker in workers)
        busy_s = sum(worker.totals.checked_s for worker in workers)
        at_once = 1 if stage.pattern == "walking" else len(workers)
        return StageResult(
            index=number,
            name=stage.name,
            workload=stage.kernel,
            instruction_class=self.record.classes[class_key(stage)],
            pattern=stage.pattern,
            planned_s=stage.duration_s,
            state="complete" if tally.complete else "stopped" if tally.started else "not started",
            unit=self._units[stage.kind],
            rounds=sum(worker.totals.rounds for worker in workers),
            operations=operations,
            per_second=operations / busy_s * at_once if busy_s else 0.0,
            mismatches=sum(worker.totals.mismatches for worker in workers),
            checked_percent=min(worker.checked_percent for worker in workers),
            workers=workers,
            warmth=self._temperatures.warmth(number),
        )

    def _worker_result(self, tally: _StageTally, core: int, planned_s: float) -> WorkerResult:
        """On a real machine nobody but us can have taken the core: there, only processor time counts."""
        totals = tally.totals.get(core) or WorkerTotals(core=core)
        counted_s = totals.checked_s if self.record.snapshot.virtualisation else totals.core_s
        clocks = tally.clocks.get(core)
        return WorkerResult(
            totals=totals,
            planned_s=planned_s,
            checked_percent=min(100.0, 100.0 * counted_s / planned_s) if planned_s else 100.0,
            taken_percent=max(0.0, 100.0 * (1.0 - totals.core_s / totals.checked_s)) if totals.checked_s else 0.0,
            clock=ClockSummary(
                minimum_mhz=min(clocks), median_mhz=median(clocks), maximum_mhz=max(clocks), samples=len(clocks)
            )
            if clocks
            else None,
        )

    def _coverage(self, stages: tuple[StageResult, ...], channels: tuple[ChannelSummary, ...]) -> Coverage:
        watched = {name for bound in self.record.bounds if bound.required for name in bound.channels}
        shares = {
            c.name: 100.0 * c.readings / (c.readings + c.gaps) if c.readings + c.gaps else 0.0
            for c in channels
            if c.name in watched
        }
        weakest = min(shares, key=lambda name: shares[name], default=None)
        return Coverage(
            floor_percent=self.record.plan.coverage_floor_percent,
            checked_percent=min(stage.checked_percent for stage in stages),
            watched_percent=shares[weakest] if weakest else None,
            weakest_channel=weakest,
        )


def probe_channel(core: int) -> str:
    """The channel that carries the clock which the worker on a core measured on itself."""
    return f"probe/core {core}"


def class_key(stage: Stage) -> str:
    return f"{stage.kernel} {stage.instruction_class}"
