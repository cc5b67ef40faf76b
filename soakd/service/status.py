"""What the daemon says of itself: from its progress, the queue and the bench's standing to one status."""

from __future__ import annotations

from dataclasses import asdict
from importlib.metadata import version
from typing import TYPE_CHECKING

from soakd.clock import utc_text
from soakd.sensors.snapshot import boot_id
from soakd.web.status import Nearest, NextStart, QueueCounts, RunStatus, Status

if TYPE_CHECKING:
    from soakd.clock import Clock
    from soakd.report.live import Progress
    from soakd.rules.standing import Standing
    from soakd.store.queue import Queue
    from soakd.web.status import DrillStatus


class StatusMaker:
    """Keeps what does not change between two statuses."""

    def __init__(self, queue: Queue, clock: Clock) -> None:
        self._queue = queue
        self._clock = clock
        self._version = version("soakd")
        self._boot_id = boot_id()

    def make(
        self,
        progress: Progress | None,
        entry_id: str | None,
        standing: Standing | None,
        drill: DrillStatus | None = None,
    ) -> Status:
        counts = self._queue.counts()
        upcoming = self._queue.upcoming()
        return Status(
            soakd_version=self._version,
            now_utc=utc_text(self._clock.wall()),
            boot_id=self._boot_id,
            run=None if progress is None else _run(progress, entry_id),
            drill=drill,
            queue=QueueCounts(**{state: counts.get(state, 0) for state in QueueCounts.model_fields}),
            next=None if upcoming is None else NextStart(**asdict(upcoming)),
            standing=None if standing is None else {**asdict(standing), "differs": list(standing.differs)},
        )


def _run(progress: Progress, entry_id: str | None) -> RunStatus:
    record = progress.record
    stages = record.plan.stages
    return RunStatus(
        run_id=record.run_id,
        entry_id=entry_id,
        plan=record.plan.name,
        sheet=record.sheet.name if record.sheet else None,
        stage=None if progress.stage is None else progress.stage + 1,
        stages=len(stages),
        stage_name=None if progress.stage is None else stages[progress.stage].name,
        elapsed_s=progress.elapsed_s,
        remaining_s=progress.remaining_s,
        rounds=progress.rounds,
        mismatches=progress.mismatches,
        nearest=_nearest(progress),
        cooling=progress.cooling,
        findings=tuple(finding.text for finding in progress.findings),
    )


def _nearest(progress: Progress) -> Nearest | None:
    nearest = progress.nearest()
    if nearest is None:
        return None
    bound, watched, margin = nearest
    side, edge = bound.edge(watched)
    return Nearest(
        channel=bound.what,
        reading=watched,
        unit=bound.watched_unit,
        bound=edge,
        side=side,
        margin=margin,
        limit=bound.says,
    )
