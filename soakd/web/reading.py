"""Answers from the journal, each over a connection of its own that cannot write."""

from __future__ import annotations

from contextlib import closing
from http import HTTPStatus
from typing import TYPE_CHECKING

from soakd.errors import UsageError
from soakd.model.run import RunRecord
from soakd.store.ledger import Ledger, LedgerLine
from soakd.store.queue import EntryLine, QueueView
from soakd.store.reader import Reader
from soakd.store.trials import Trials
from soakd.web.problems import ProblemError

if TYPE_CHECKING:
    from pathlib import Path

    from soakd.model.entry import Entry


class Shelf:
    """All methods raise StoreError when the journal cannot be read, ProblemError for what is not in it."""

    def __init__(self, journal: Path) -> None:
        self._journal = journal

    @property
    def path(self) -> Path:
        """Of the journal, for what reads more of it."""
        return self._journal

    def entries(self, most: int) -> list[EntryLine]:
        with closing(Reader(self._journal)) as reader:
            return QueueView(reader).lines(most)

    def entry(self, wanted: str) -> Entry:
        """By identifier or its beginning."""
        with closing(Reader(self._journal)) as reader:
            try:
                return QueueView(reader).find(wanted)
            except UsageError as error:
                raise _not_one(error, known=bool(reader.read("find_entry", wanted))) from None

    def to_come(self, most: int) -> list[Entry]:
        """Running, waiting and held entries; the last two by rank."""
        with closing(Reader(self._journal)) as reader:
            return QueueView(reader).to_come(most)

    def ended(self, most: int) -> list[EntryLine]:
        """Entries that are done, cancelled or missed, newest first."""
        with closing(Reader(self._journal)) as reader:
            return QueueView(reader).ended(most)

    def record(self, run_id: str) -> RunRecord:
        """What was known of a run before it."""
        with closing(Reader(self._journal)) as reader:
            rows = reader.read("record_of_run", run_id)
        if not rows:
            raise ProblemError(HTTPStatus.NOT_FOUND, "usage", f"no run {run_id!r} in the journal")
        return RunRecord.model_validate_json(rows[0][0], extra="ignore")

    def verdicts(self, most: int) -> list[LedgerLine]:
        with closing(Ledger(self._journal)) as ledger:
            return ledger.newest(most)

    def trials(self) -> Trials:
        """The ledger by trials; whoever asks closes it."""
        return Trials(self._journal)

    def verdict(self, wanted: str) -> str:
        """The whole verdict as JSON, by identifier, its beginning, or `last`."""
        with closing(Ledger(self._journal)) as ledger:
            try:
                return ledger.body(wanted)
            except UsageError as error:
                raise _not_one(error, known=bool(ledger.read("find_verdicts", wanted))) from None

    def run_id(self, wanted: str) -> str:
        """That of a verdict in full, by its beginning, or `last`."""
        with closing(Ledger(self._journal)) as ledger:
            try:
                return ledger.run_id(wanted)
            except UsageError as error:
                raise _not_one(error, known=bool(ledger.read("find_verdicts", wanted))) from None

    def is_signed(self, run_id: str) -> bool:
        with closing(Trials(self._journal)) as trials:
            line = trials.one(run_id)
            return line is not None and line.signed

    def envelope(self, wanted: str) -> str:
        """The same verdict as it was signed, byte for byte what `soakd verdict export` writes."""
        with closing(Ledger(self._journal)) as ledger:
            try:
                return f"{ledger.envelope(wanted)}\n"
            except UsageError as error:
                found = ledger.read("find_verdicts", wanted)
                raise _not_one(error, known=len(found) > 1) from None


def _not_one(error: UsageError, *, known: bool) -> ProblemError:
    """Several begin like this, or none does."""
    status = HTTPStatus.UNPROCESSABLE_ENTITY if known else HTTPStatus.NOT_FOUND
    return ProblemError(status, error.code, error.message, hint=error.hint)
