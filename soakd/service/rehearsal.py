"""Runs a plan on the virtual bench in accelerated time, with the real conductor, guard and judge. Keeps nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.clock import utc_text
from soakd.engine.conductor import Conductor
from soakd.engine.messages import Confirmed
from soakd.model.channels import Channel, Role
from soakd.model.journal import StageAnnounced
from soakd.model.rehearsal import Rehearsal
from soakd.rules.cores import physical
from soakd.rules.course import Courses
from soakd.rules.gather import Gatherer
from soakd.rules.guard import Guard
from soakd.rules.judge import judge
from soakd.service.virtual_record import draft
from soakd.virtual.bench import Bench
from soakd.virtual.crew import VirtualCrew, throttles
from soakd.virtual.faults import MachineDown
from soakd.virtual.sensors import VirtualSource
from soakd.virtual.timeline import Timeline, VirtualInbox, VirtualSampler
from soakd.workloads.kinds import KINDS

if TYPE_CHECKING:
    from collections.abc import Callable

    from soakd.clock import Clock
    from soakd.engine.messages import Message
    from soakd.model.journal import Event
    from soakd.model.plan import Plan
    from soakd.model.run import RunRecord
    from soakd.model.sheet import Sheet
    from soakd.model.verdict import Evidence
    from soakd.model.virtual import VirtualBench
    from soakd.ports import SensorSource


def rehearse(
    plan: Plan,
    sheet: Sheet | None,
    about: VirtualBench,
    *,
    plan_file: str,
    seed: int = 0,
    timeline: Timeline | None = None,
    also: Callable[[Event], None] = lambda _: None,
    source: Callable[[Bench, Clock], SensorSource] = VirtualSource,
) -> Rehearsal:
    """The whole course; `timeline`: one on which more happens than the run; `also` is told every event;
    `source`: what reads the bench's sensors.

    Raises ConfigError or RefusedError for what would not be started on such a bench.
    """
    record = draft(plan, sheet, about, plan_file=plan_file, seed=seed)
    whole, timeline = physical(record.snapshot), timeline or Timeline()
    bench = Bench(about, sheet, seed=seed)
    inbox: VirtualInbox[Message] = VirtualInbox(timeline)
    tick_s = plan.guard.tick_s
    sink = _Sink(record, inbox, also)
    channels = [Channel(name=c.name, role=Role(c.role), critical=c.critical) for c in record.channels]
    conductor = Conductor(
        record,
        guard=Guard(record.plan, channels, record.bounds, begun_s=timeline.monotonic(), suspended_s=0.0),
        crew=VirtualCrew(bench, timeline, inbox.put, physical=whole, seed=seed),
        sampler=VirtualSampler([source(bench, timeline)], tick_s=tick_s, timeline=timeline),
        inbox=inbox,
        sink=sink,
        clock=timeline,
        priority="a model: this was rehearsed",
        cost=lambda: (0.0, 0.0),
        throttles=lambda: throttles(bench, whole),
    )
    conductor.look_s = tick_s  # a look between two events would see what the last one saw
    down = _run(conductor)
    evidence = sink.evidence(timeline, gone=down is not None)
    ended_s = sink.gatherer.last_s if down is None else down.at_s
    return Rehearsal(
        bench=about.name,
        seed=seed,
        ended_s=ended_s,
        down=None if down is None else down.why,
        verdict=judge(record, evidence),
        stages=sink.courses.stages(),
        strips=sink.courses.strips(ended_s),
        hottest_true_c=bench.peak_c,
    )


def _run(conductor: Conductor) -> MachineDown | None:
    """To its end, or until the machine is gone."""
    try:
        conductor.run()
    except MachineDown as gone:
        return gone
    return None


class _Sink:
    """Confirms each stage at once, for nothing is kept."""

    def __init__(self, record: RunRecord, inbox: VirtualInbox[Message], also: Callable[[Event], None]) -> None:
        self.gatherer = Gatherer(record, {name: kind.unit for name, kind in KINDS.items()})
        self.courses = Courses(record)
        self._record = record
        self._inbox = inbox
        self._also = also

    def put(self, event: Event) -> None:
        self._also(event)
        self.gatherer.add(event)
        self.courses.take(event)
        if isinstance(event, StageAnnounced):
            self._inbox.put(Confirmed(stage=event.stage))

    def behind_s(self) -> float:
        return 0.0

    def evidence(self, timeline: Timeline, *, gone: bool) -> Evidence:
        """`gone`: the machine was, before the end."""
        return self.gatherer.evidence(
            finished_utc=utc_text(timeline.wall()),
            same_boot=not gone,
            suspended_s=timeline.suspended(),
            snapshot_after=None if gone else self._record.snapshot,
        )
