"""What the daemon can be measured by: kept as events come, rendered when somebody is to see it."""

from __future__ import annotations

from collections import Counter
from importlib.metadata import version
from typing import TYPE_CHECKING

from soakd.model.journal import RunEnded, Tick
from soakd.service.metrics import ChannelNow, MetricsView, RunNow, render

if TYPE_CHECKING:
    from soakd.clock import Clock
    from soakd.model.journal import Event
    from soakd.model.run import RunRecord
    from soakd.model.verdict import Verdict
    from soakd.report.live import Progress
    from soakd.rules.standing import Standing
    from soakd.service.telling import Teller
    from soakd.store.queue import Queue


class Measures:
    """Totals since the daemon started, and the latest of everything else."""

    def __init__(self, queue: Queue, teller: Teller, clock: Clock) -> None:
        self._queue = queue
        self._teller = teller
        self._clock = clock
        self._version = version("soakd")
        self._started_s = clock.wall()
        self._tick: Tick | None = None
        self._ticks = 0
        self._lost = 0
        self._runs: Counter[str] = Counter()
        self._rounds = 0
        self._mismatches = 0
        self._verdict: tuple[str, float] | None = None

    def event(self, event: Event) -> None:
        if isinstance(event, Tick):
            self._tick = event
            self._ticks += 1
        elif isinstance(event, RunEnded):
            self._lost += event.ticks_lost

    def judged(self, verdict: Verdict) -> None:
        """A run has ended: its work is added to the totals, and its readings are no news any more."""
        self._runs[verdict.outcome] += 1
        self._rounds += sum(stage.rounds for stage in verdict.evidence.stages)
        self._mismatches += sum(stage.mismatches for stage in verdict.evidence.stages)
        self._verdict = (verdict.outcome, self._clock.wall())
        self._tick = None

    def text(self, progress: Progress | None, standing: Standing | None) -> str:
        """The exposition in the OpenMetrics text format. Raises StoreError when the queue cannot be read."""
        tick, counts = self._tick, self._teller.counts()
        outcome, at_s = self._verdict or (None, None)
        view = MetricsView(
            version=self._version,
            started_at_s=self._started_s,
            state=_state(progress),
            channels=_channels(progress.record, tick) if progress and tick else (),
            run=_run(progress) if progress else None,
            runs=dict(self._runs),
            rounds=self._rounds + (progress.rounds if progress else 0),
            mismatches=self._mismatches + (progress.mismatches if progress else 0),
            ticks=self._ticks,
            ticks_lost=self._lost,
            late_s=tick.late_s if tick else None,
            entries=self._queue.counts(),
            messages_waiting=counts.waiting,
            messages_given_up=counts.given_up,
            verdict_outcome=outcome,
            verdict_at_s=at_s,
            covered=standing.covered if standing else None,
        )
        return render(view)[0].decode()


def _state(progress: Progress | None) -> str:
    if progress is None:
        return "idle"
    if progress.stopped:
        return "stopping"
    return "starting" if not progress.prepared else "soaking"


def _channels(record: RunRecord, tick: Tick) -> tuple[ChannelNow, ...]:
    return tuple(
        ChannelNow(name=c.name, role=c.role, unit=c.unit, value=tick.values.get(c.name)) for c in record.channels
    )


def _run(progress: Progress) -> RunNow:
    record = progress.record
    margins: dict[str, float] = {}
    for bound, watched in progress.watched():
        if bound.is_plain:
            margin = bound.margin(watched)
            margins[bound.channel] = min(margin, margins.get(bound.channel, margin))
    return RunNow(
        run_id=record.run_id,
        plan=record.plan.name,
        sheet=record.sheet.name if record.sheet else None,
        stage=progress.stage,
        stages=len(record.plan.stages),
        elapsed_s=progress.elapsed_s,
        remaining_s=progress.remaining_s,
        rounds=progress.rounds,
        mismatches=progress.mismatches,
        least_margin=margins,
        left={(bound.what, bound.text): bound.left_share(watched) for bound, watched in progress.watched()},
    )
