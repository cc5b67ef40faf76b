"""Sheets that the page of settings can show: of runs, of entries, and stored ones."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING, Final

from soakd.errors import UsageError
from soakd.store.ledger import Ledger, verdict_in
from soakd.store.queue import QueueView
from soakd.store.reader import Reader
from soakd.store.readings import Readings
from soakd.web import stored
from soakd.web.problems import ProblemError

if TYPE_CHECKING:
    from pathlib import Path

    from soakd.model.sheet import Sheet
    from soakd.model.snapshot import Snapshot

_MOST: Final = 60
"""Runs and entries to choose from; any other is reached by its address."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """One sheet, and where it comes from."""

    key: str
    """How it is asked for: run/5570f330ed57, entry/7e0c3e396167, own/lantern, shipped/lantern."""
    sheet: Sheet | None
    """None of a run or entry that has none."""
    snapshot: Snapshot | None = None
    """What the bench showed when the run began; None where nothing has run."""
    run_id: str | None = None
    outcome: str | None = None
    moment_utc: str | None = None
    """When the run began."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One of a list."""

    key: str
    name: str
    """Of the sheet."""
    about: str
    """What became of it, or where it lies."""
    moment_utc: str | None = None


def choices(journal: Path, home: Path) -> dict[str, list[Choice]]:
    """By heading; headings without any are left out. Raises StoreError."""
    with closing(Ledger(journal)) as ledger:
        runs = [
            Choice(key=f"run/{line.run_id}", name=line.sheet, about=line.outcome, moment_utc=line.finished_utc)
            for line in ledger.newest(_MOST)
            if line.sheet is not None
        ]
        entries = [
            Choice(key=f"entry/{line.entry_id}", name=line.sheet, about=f"{line.state}, {line.plan}")
            for line in QueueView(ledger).lines(_MOST)
            if line.sheet is not None and line.state in {"running", "waiting", "held"}
        ]
    kept = [
        Choice(key=each.key, name=each.name, about=f"{stored.ORIGINS[each.origin]}, {each.path.name}")
        for each in stored.sheets(home)
        if each.problem is None
    ]
    found = {"Runs, newest first": runs, "In the queue": entries, "Stored sheets": kept}
    return {heading: list_ for heading, list_ in found.items() if list_}


def parent(found: dict[str, list[Choice]], sheet: Sheet) -> str:
    """Key of the newest that has the name of this sheet's parent; empty where there is none."""
    every = (choice for list_ in found.values() for choice in list_)
    return next((choice.key for choice in every if sheet.parent is not None and choice.name == sheet.parent), "")


def newest(journal: Path) -> str | None:
    """The key of the newest verdict that has a sheet, else of any. Raises StoreError."""
    with closing(Ledger(journal)) as ledger:
        lines = ledger.newest(_MOST)
    best = next((line for line in lines if line.sheet is not None), next(iter(lines), None))
    return None if best is None else f"run/{best.run_id}"


def subject(journal: Path, home: Path, key: str) -> Subject:
    """What a key names. Raises ProblemError where it names nothing, StoreError, ConfigError for a stored sheet."""
    kind, _, name = key.partition("/")
    if kind == "run":
        return _of_run(journal, name)
    if kind == "entry":
        with closing(Reader(journal)) as reader:
            try:
                entry = QueueView(reader).find(name)
            except UsageError as error:
                raise ProblemError(HTTPStatus.NOT_FOUND, error.code, error.message, hint=error.hint) from None
        return Subject(key=f"entry/{entry.entry_id}", sheet=entry.sheet)
    return Subject(key=key, sheet=stored.sheet(home, key))


def _of_run(journal: Path, name: str) -> Subject:
    """By its verdict, or, while it goes on, by what was known before it began."""
    with closing(Readings(journal)) as readings:
        running = readings.record(name) if readings.read("run_state", name) else None
    with closing(Ledger(journal)) as ledger:
        try:
            verdict = verdict_in(ledger.body(name))
        except UsageError as error:
            if running is None:
                raise ProblemError(HTTPStatus.NOT_FOUND, error.code, error.message, hint=error.hint) from None
            return Subject(
                key=f"run/{name}",
                sheet=running.sheet,
                snapshot=running.snapshot,
                run_id=name,
                moment_utc=running.started_utc,
            )
    return Subject(
        key=f"run/{verdict.run_id}",
        sheet=verdict.sheet,
        snapshot=verdict.snapshot_before,
        run_id=verdict.run_id,
        outcome=verdict.outcome,
        moment_utc=verdict.started_utc,
    )
