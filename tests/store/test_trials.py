"""The ledger by trials, and how a journal of before it is brought up to date."""

import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from test_store import record, verdict_of

from soakd.model.sheet import Sheet
from soakd.store.database import migrations
from soakd.store.journal import Journal
from soakd.store.trials import Sought, Trials
from soakd.store.writer import Writer

BEFORE = 5
"""Migrations without trials."""


def judged(run_id, name, *, parent=None, fingerprint="a", hour=1, outcome="pass", **more):
    sheet = None if name is None else Sheet(version=1, name=name, parent=parent)
    run = record(run_id, sheet=sheet, fingerprint=fingerprint * 64, **more)
    found = verdict_of(run)
    evidence = found.evidence.model_copy(update={"finished_utc": f"2026-01-01T{hour:02}:00:00.000Z"})
    return run, found.model_copy(update={"evidence": evidence, "outcome": outcome})


NIGHTS = (
    judged("1", "Stock"),
    judged("2", "One", parent="Stock", fingerprint="b", hour=2),
    judged("3", "One", parent="Stock", fingerprint="b", hour=3, outcome="fail"),
    judged("4", "One", parent="Stock", fingerprint="b", hour=4, outcome="fail", drill=True),
    judged("5", None, fingerprint="c", hour=5, outcome="inconclusive"),
)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "journal.db"


@pytest.fixture
def trials(path):
    with closing(Writer(path)) as writer:
        for run, verdict in NIGHTS:
            Journal(writer).begin(run)
            Journal(writer).finish(verdict)
    with closing(Trials(path)) as opened:
        yield opened


def counted(found):
    return [(each.name, each.parent, each.passes, each.fails, each.inconclusive, each.drills) for each in found]


ALL = [(None, None, 0, 0, 1, 0), ("One", "Stock", 1, 1, 0, 1), ("Stock", None, 1, 0, 0, 0)]


def test_every_trial_is_counted_the_newest_first(trials):
    assert counted(trials.found(Sought())) == ALL
    assert trials.sheet("One").parent == "Stock"
    assert trials.sheet("Two") is None
    assert set(trials.sheets()) == {"Stock", "One"}


def test_what_is_sought_is_counted_and_nothing_else(trials):
    assert counted(trials.found(Sought(outcome="fail"))) == [("One", "Stock", 0, 1, 0, 1)]
    between = Sought(since_utc="2026-01-01T02:00:00", until_utc="2026-01-01T03:00:00")
    assert counted(trials.found(between)) == [("One", "Stock", 1, 0, 0, 0)]
    assert counted(trials.found(Sought(names=("Stock", "Nobody")))) == [("Stock", None, 1, 0, 0, 0)]
    assert trials.found(Sought(names=())) == []


def test_the_verdicts_of_one_trial_a_part_at_a_time(trials):
    assert [line.run_id for line in trials.lines("One", Sought(), 2)] == ["4", "3"]
    assert [line.run_id for line in trials.lines("One", Sought(), 2, skip=2)] == ["2"]
    (line,) = trials.lines(None, Sought(), 9)
    assert (line.run_id, line.drill, line.signed, line.outcome) == ("5", False, False, "inconclusive")
    assert trials.one("4").drill
    assert trials.one("9") is None


def test_a_sheet_that_is_renamed_in_its_parent_counts_as_it_was_declared_last(trials, path):
    run, verdict = judged("6", "One", parent="Other", fingerprint="b", hour=6)
    with closing(Writer(path)) as writer:
        Journal(writer).begin(run)
        Journal(writer).finish(verdict)
    assert trials.parents() == {"One": "Other"}


def test_a_journal_of_before_there_were_trials_is_filled_in(path):
    with closing(sqlite3.connect(path)) as old:
        for script in migrations()[:BEFORE]:
            old.executescript(script)
        for run, verdict in NIGHTS:
            row = (run.run_id, run.started_utc, "b", int(run.drill), "finished", run.model_dump_json(), None)
            old.execute(
                "INSERT INTO run (run_id, started_utc, boot_id, drill, state, record, entry_id) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)", row,
            )  # fmt: skip
            sheet = verdict.sheet.name if verdict.sheet else None
            finished = verdict.evidence.finished_utc
            values = (run.run_id, finished, "P", sheet, verdict.outcome, None, run.fingerprint, int(run.drill))
            old.execute("INSERT INTO verdict VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", (*values, verdict.model_dump_json()))
        old.execute(f"PRAGMA user_version = {BEFORE}")
        old.commit()
    Writer(path).close()
    with closing(Trials(path)) as opened:
        assert counted(opened.found(Sought())) == ALL
        assert opened.sheet("One") == NIGHTS[1][1].sheet
