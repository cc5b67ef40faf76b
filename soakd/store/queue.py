"""The queue's table: entries, their order, and every legal step of theirs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from soakd.errors import UsageError
from soakd.model.entry import Entry, EntryRequest, EntryState
from soakd.rules.entries import EntryEvent, after, run_ended_event

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.store.reader import Reader, Row
    from soakd.store.writer import Statement, Writer


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryLine:
    """One entry in a listing, without the plan and sheet themselves."""

    entry_id: str
    created_utc: str
    place: int
    priority: int
    state: str
    due_utc: str | None
    plan: str
    sheet: str | None
    series: str | None
    runs_done: int
    last_run: str | None
    reason: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Upcoming:
    """What starts next if nothing comes in between."""

    entry_id: str
    plan: str
    due_utc: str


class QueueView:
    """Reads entries. All methods raise StoreError when the file fails."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def find(self, wanted: str) -> Entry:
        """By identifier or its beginning. Raises UsageError when that names none or several."""
        rows = self._reader.read("find_entry", wanted)
        if not rows:
            raise UsageError(f"no entry {wanted!r}", hint="`soakd queue list` shows what there is")
        if len(rows) > 1:
            raise UsageError(f"{wanted!r} is the beginning of several entries", hint="give more of the identifier")
        return _entry(rows[0])

    def lines(self, most: int) -> list[EntryLine]:
        """What runs, what is to come in order of start, then what has ended, newest first."""
        to_come = _lines(self._reader.read("list_entries", most))
        return [*to_come, *self.ended(most - len(to_come))]

    def ended(self, most: int) -> list[EntryLine]:
        """Newest first."""
        return _lines(self._reader.read("entries_that_ended", most))

    def to_come(self, most: int) -> list[Entry]:
        """Running, waiting and held entries; the last two by rank: priority, then place."""
        return [_entry(row) for row in self._reader.read("entries_to_come", most)]

    def hanging(self) -> list[Entry]:
        """Waiting entries that hang on an event and have no due moment yet."""
        return [_entry(row) for row in self._reader.read("entries_without_due")]

    def of_series(self, series: str) -> list[Entry]:
        """Those of a series that have not been started or given up."""
        return [_entry(row) for row in self._reader.read("entries_of_series", series)]

    def with_hook_on(self) -> list[Entry]:
        return [_entry(row) for row in self._reader.read("entries_with_hook_on")]

    def boot_of(self, run_id: str | None) -> str | None:
        """The boot in which a run began."""
        rows = self._reader.read("boot_of_run", run_id)
        return str(rows[0][0]) if rows else None

    def counts(self) -> dict[str, int]:
        """Entries by state; a state that none is in is absent."""
        return dict(self._reader.read("count_entries"))

    def outcome(self, run_id: str | None) -> str | None:
        """The outcome of a judged run."""
        rows = self._reader.read("outcome_of_run", run_id)
        return str(rows[0][0]) if rows else None

    def due(self, now_utc: str) -> list[Entry]:
        """Waiting entries whose moment has come."""
        return [_entry(row) for row in self._reader.read("due_entries", now_utc)]

    def startable(self, now_utc: str) -> Entry | None:
        """The entry that may start now and goes first."""
        rows = self._reader.read("next_entry", now_utc)
        return _entry(rows[0]) if rows else None

    def upcoming(self) -> Upcoming | None:
        """The waiting entry with the earliest due moment."""
        rows = self._reader.read("upcoming_entry")
        return Upcoming(**dict(zip(Upcoming.__dataclass_fields__, rows[0], strict=True))) if rows else None


class Queue(QueueView):
    """Moves entries too. Steps raise LookupError when they cannot happen."""

    def __init__(self, writer: Writer) -> None:
        super().__init__(writer)
        self._writer = writer

    def add(self, entry_id: str, created_utc: str, request: EntryRequest, due_utc: str | None) -> Entry:
        row = (
            entry_id,
            created_utc,
            request.priority,
            EntryState.WAITING.value,
            due_utc,
            request.plan.name,
            request.sheet.name if request.sheet else None,
            request.series,
            None,
            request.model_dump_json(),
        )
        self._writer.write([("insert_entry", row)])
        return self.find(entry_id)

    def hook_on(self, entry: Entry, *, on: bool) -> None:
        """Durable before the hook is called, so that a crash in between cannot leave settings behind unnoticed."""
        self._writer.write([("set_hook", {"entry_id": entry.entry_id, "hook_on": int(on)})])

    def move(self, entry: Entry, event: EntryEvent, reason: str | None = None) -> Entry:
        self._writer.write([_moved(entry, event, reason)])
        return self.find(entry.entry_id)

    def set_due(self, entry: Entry, due_utc: str | None) -> None:
        self._writer.write([("set_due", {"entry_id": entry.entry_id, "before": entry.state.value, "due_utc": due_utc})])

    def reorder(self, entry: Entry, *, place: int, priority: int) -> Entry:
        """A smaller place goes first among entries of one priority; several may share one."""
        self._writer.write([("set_place", {"entry_id": entry.entry_id, "place": place, "priority": priority})])
        return self.find(entry.entry_id)


def _lines(rows: Sequence[Row]) -> list[EntryLine]:
    names = EntryLine.__dataclass_fields__
    return [EntryLine(**dict(zip(names, row, strict=True))) for row in rows]


def claimed(entry: Entry) -> Statement:
    """The step that belongs into the transaction which begins its run."""
    return _moved(entry, EntryEvent.CLAIM, None)


def run_ended(entry: Entry, run_id: str, due_utc: str | None) -> Statement:
    """The step that belongs into the transaction which keeps the run's verdict."""
    event = run_ended_event(entry)
    values = {
        "entry_id": entry.entry_id,
        "before": entry.state.value,
        "after": after(entry.state, event).value,
        "run_id": run_id,
        "due_utc": due_utc if event is EntryEvent.RUN_ENDED else None,
    }
    return "end_entry_run", values


def _moved(entry: Entry, event: EntryEvent, reason: str | None) -> Statement:
    values = {
        "entry_id": entry.entry_id,
        "before": entry.state.value,
        "after": after(entry.state, event).value,
        "reason": reason,
    }
    return "move_entry", values


@lru_cache(maxsize=256)
def _asked(text: str) -> EntryRequest:
    """What was asked for never changes, and is read again and again."""
    return EntryRequest.model_validate_json(text)


def _entry(row: Row) -> Entry:
    entry_id, created_utc, place, priority, state, due_utc, runs_done, last_run, reason, request = row
    asked = _asked(request)
    return Entry(
        **{name: getattr(asked, name) for name in EntryRequest.model_fields if name != "priority"},
        priority=priority,
        entry_id=entry_id,
        created_utc=created_utc,
        place=place,
        state=EntryState(state),
        due_utc=due_utc,
        runs_done=runs_done,
        last_run=last_run,
        reason=reason,
    )
