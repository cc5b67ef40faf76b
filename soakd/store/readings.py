"""Reading one run again: what was known before it, its events, and its ticks as columns. Never writes."""

from __future__ import annotations

from array import array

from soakd.errors import StoreError
from soakd.model.columns import Columns
from soakd.model.journal import EVENT, Event
from soakd.model.run import RunRecord
from soakd.store.progress import rounds_in
from soakd.store.reader import Reader


class Readings(Reader):
    """All methods raise StoreError when the journal cannot be read."""

    def record(self, run_id: str) -> RunRecord:
        ((body,),) = self.read("record_of_run", run_id)
        return RunRecord.model_validate_json(body, extra="ignore")

    def events(self, run_id: str) -> list[Event]:
        """In order, without the ticks."""
        return [EVENT.validate_json(body, extra="ignore") for (body,) in self.read("events_of_run", run_id)]

    def columns(self, record: RunRecord) -> Columns:
        ((when,),) = self.read("thinned_of_run", record.run_id)
        found = Columns(channels=record.channels, thinned=when is not None)
        for number, at_s, _, stage, blob, _, progress in self.read("ticks_of_run", record.run_id):
            row = array("f", blob)
            if len(row) != len(record.channels):
                raise StoreError(f"{self.path}: tick {number} of run {record.run_id} has another number of channels")
            found.add(at_s, stage, row, rounds_in(progress))
        return found
