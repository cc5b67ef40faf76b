"""Runs, events and ticks: what is written while a run goes on, and read again to judge an orphan."""

from __future__ import annotations

import json
import math
from array import array
from typing import TYPE_CHECKING

from soakd.errors import BenchKeyError
from soakd.model.journal import EVENT, Event, StageEnded, Tick, WorkerTotals
from soakd.model.run import RunRecord, RunState
from soakd.rules.transitions import RunEvent, after
from soakd.store.chain import Chain, verdict_row
from soakd.store.ledger import PASSED, verdict_in
from soakd.store.newest import note
from soakd.store.progress import packed, unpacked

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from soakd.model.verdict import Verdict
    from soakd.ports import Signer
    from soakd.store.reader import Row
    from soakd.store.writer import Statement, Writer


class Journal:
    """The one writer. Every method that changes something is durable when it returns; all raise StoreError."""

    def __init__(self, writer: Writer, signer: Signer | None = None) -> None:
        """Without a signer verdicts are kept unsigned, and it is said why."""
        self._writer = writer
        self._signer = signer
        self._chain = Chain(writer)
        self._numbers: dict[str, int] = {}

    def begin(self, record: RunRecord, entry_id: str | None = None, *, claim: Sequence[Statement] = ()) -> None:
        """The run exists; with `claim`, the entry that it is for is claimed in the same moment."""
        row = (
            record.run_id,
            record.started_utc,
            record.boot_id,
            int(record.drill),
            RunState.STARTING.value,
            record.model_dump_json(),
            entry_id,
        )
        self._writer.write([*claim, ("insert_run", row)])

    def load_begins(self, run_id: str, event: Event) -> None:
        """The announcement of a stage, and that the run is soaking, in one transaction."""
        self._writer.write([self._moved(run_id, RunEvent.LOAD_BEGINS), self._event(run_id, event)])

    def add(self, record: RunRecord, event: Event) -> None:
        """Any event after the run has begun."""
        if isinstance(event, Tick):
            self._writer.write([_tick(record, event), *_workers(record.run_id, event.stage, event.workers)])
        elif isinstance(event, StageEnded):
            workers = _workers(record.run_id, event.stage, event.workers)
            self._writer.write([self._event(record.run_id, event), *workers])
        else:
            self._writer.write([self._event(record.run_id, event)])

    def finish(self, verdict: Verdict, *, entry: Sequence[Statement] = ()) -> None:
        """The verdict enters ledger and chain, the run is finished and its entry moves on, in one transaction."""
        moved = self._moved(verdict.run_id, RunEvent.JUDGED)
        body = verdict.model_dump_json()
        link = self._chain.entering(verdict, body, self._signer)
        row: Statement = ("insert_verdict", (*verdict_row(verdict), body))
        self._writer.write([moved, row, *_trial(verdict), *link, *entry])
        if (newest := self._chain.newest()) is not None:
            note(self._writer.path, newest)

    def ready_to_sign(self) -> tuple[str, ...]:
        """Before a run: make the key if there has never been one. Cautions: why its verdict cannot be signed."""
        try:
            if self._signer is not None:
                self._signer.ready(self._chain.keys())
        except BenchKeyError as error:
            return (f"this verdict will not be signed: {error.message}",)
        return ()

    def entry_of(self, run_id: str) -> str | None:
        """The entry that a run was for; None for one that was started by hand."""
        ((entry_id,),) = self._writer.read("entry_of_run", run_id)
        return None if entry_id is None else str(entry_id)

    def newest_of_passed(self) -> list[Verdict]:
        """Of each of the latest fingerprints that have passed the newest pass or fail, newest first; no drills."""
        return [verdict_in(body) for (body,) in self._writer.read("newest_of_passed", PASSED)]

    def orphans(self) -> list[RunRecord]:
        """Runs that began and never finished. Whoever asks holds the bench lock, so none of them is alive."""
        rows = self._writer.read("unfinished_runs")
        return [RunRecord.model_validate_json(body, extra="ignore") for (body,) in rows]

    def replay(self, record: RunRecord) -> Iterator[Event]:
        """Everything that was written of a run, in order. Ticks bring back the totals that operating points need; the
        last tick of a stage that never ended brings all of them.
        """
        run_id = record.run_id
        events = [EVENT.validate_json(body, extra="ignore") for (body,) in self._writer.read("events_of_run", run_id)]
        ticks = [read_tick(record, row) for row in self._writer.read("ticks_of_run", run_id)]
        ended = {event.stage for event in events if isinstance(event, StageEnded)}
        kept = [row for row in self._writer.read("workers_of_run", run_id) if row[0] not in ended]
        yield from sorted([*events, *_with_workers(ticks, kept)], key=lambda e: e.at_s)

    def _moved(self, run_id: str, event: RunEvent) -> Statement:
        ((state,),) = self._writer.read("run_state", run_id)
        before = RunState(state)
        return "move_run", {"run_id": run_id, "before": before.value, "after": after(before, event).value}

    def _event(self, run_id: str, event: Event) -> Statement:
        number = self._numbers.get(run_id, 0)
        self._numbers[run_id] = number + 1
        return "insert_event", (run_id, number, event.at_s, event.model_dump_json())


def _trial(verdict: Verdict) -> list[Statement]:
    sheet = verdict.sheet
    if sheet is None:
        return []
    return [("put_trial", (verdict.fingerprint, sheet.name, sheet.parent, sheet.model_dump_json()))]


def _tick(record: RunRecord, tick: Tick) -> Statement:
    readings = array("f", (tick.values.get(channel.name, math.nan) for channel in record.channels))
    gaps = json.dumps(tick.gaps) if tick.gaps else None
    return "insert_tick", (
        record.run_id, tick.number, tick.at_s, tick.late_s, tick.stage, readings.tobytes(), gaps, packed(tick.workers)
    )  # fmt: skip


def read_tick(record: RunRecord, row: Row) -> Tick:
    """One row of the ticks; its workers' totals are those that operating points need."""
    number, at_s, late_s, stage, blob, gaps, progress = row
    readings = array("f")
    readings.frombytes(blob)
    values = {c.name: v for c, v in zip(record.channels, readings, strict=True) if not math.isnan(v)}
    return Tick(
        at_s=at_s,
        number=number,
        stage=stage,
        late_s=late_s,
        values=values,
        gaps=json.loads(gaps) if isinstance(gaps, str) else {},
        workers=unpacked(progress),
    )


def _workers(run_id: str, stage: int | None, workers: Sequence[WorkerTotals]) -> list[Statement]:
    return [("put_worker", (run_id, stage, totals.core, totals.model_dump_json())) for totals in workers]


def _with_workers(ticks: list[Tick], rows: list[Row]) -> list[Tick]:
    """Give the last tick of these stages the totals that were kept beside the ticks."""
    kept: dict[int, list[WorkerTotals]] = {}
    for stage, body in rows:
        kept.setdefault(stage, []).append(WorkerTotals.model_validate_json(body, extra="ignore"))
    last = {tick.stage: number for number, tick in enumerate(ticks) if tick.stage is not None}
    for stage, totals in kept.items():
        if stage in last:
            ticks[last[stage]] = ticks[last[stage]].model_copy(update={"workers": tuple(totals)})
    return ticks
