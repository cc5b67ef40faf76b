"""Reading a run while it goes on: what has been written since the last look, in order. Never writes."""

from __future__ import annotations

from itertools import takewhile
from typing import TYPE_CHECKING, Final

from soakd.model.journal import EVENT, Event, Tick, WorkerTotals
from soakd.model.run import RunRecord
from soakd.store.journal import read_tick
from soakd.store.reader import Reader

if TYPE_CHECKING:
    from pathlib import Path

PIECE: Final = 256
"""Ticks that are read at once."""


class Following(Reader):
    """All methods raise StoreError when the journal cannot be read."""

    def __init__(self, path: Path, run_id: str) -> None:
        super().__init__(path)
        ((body,),) = self.read("record_of_run", run_id)
        self.record = RunRecord.model_validate_json(body, extra="ignore")
        self.behind = False
        """There was more than one piece."""
        self._event = self._tick = -1

    def news(self) -> list[Event]:
        """What came since the last time, or the next piece of it. The newest tick brings its workers' whole totals."""
        run_id = self.record.run_id
        with self.at_one_moment():
            ticks = [read_tick(self.record, row) for row in self.read("ticks_since", run_id, self._tick, PIECE)]
            rows = self.read("events_since", run_id, self._event)
            self.behind = len(ticks) == PIECE
            if ticks and not self.behind:
                ticks[-1] = self._with_totals(ticks[-1])
        events = [(number, EVENT.validate_json(body, extra="ignore")) for number, body in rows]
        if self.behind:
            events = list(takewhile(lambda numbered: numbered[1].at_s <= ticks[-1].at_s, events))
        self._tick = ticks[-1].number if ticks else self._tick
        self._event = events[-1][0] if events else self._event
        return sorted([*(event for _, event in events), *ticks], key=lambda event: event.at_s)

    def _with_totals(self, tick: Tick) -> Tick:
        rows = self.read("workers_of_stage", self.record.run_id, tick.stage)
        whole = {t.core: t for t in (WorkerTotals.model_validate_json(body, extra="ignore") for (body,) in rows)}
        return tick.model_copy(update={"workers": tuple(whole.get(each.core, each) for each in tick.workers)})
