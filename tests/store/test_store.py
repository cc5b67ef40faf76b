"""The journal on a real drive: durable, refusing, replayable, and the ledger append-only."""

import re
import sqlite3
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest

from soakd.errors import StoreError, UsageError
from soakd.model.channels import Role
from soakd.model.finding import Finding
from soakd.model.journal import Found, RunEnded, StageAnnounced, StageEnded, Tick, WorkerTotals
from soakd.model.limits import Bound
from soakd.model.plan import Plan, Stage
from soakd.model.run import ChannelInfo, RunRecord
from soakd.model.snapshot import Snapshot
from soakd.rules.gather import Gatherer
from soakd.rules.judge import judge
from soakd.store.database import migrations, open_for_reading, query
from soakd.store.journal import Journal
from soakd.store.ledger import Ledger
from soakd.store.writer import Writer

SNAPSHOT = Snapshot(
    machine="x", logical_cores=2, cores_allowed="0-1", memory_total_mib=1, swap_total_mib=0, kernel="k", boot_id="b"
)
BOUND = Bound(
    channel="a",
    role=Role.CPU_TEMPERATURE,
    side="above",
    value=90.0,
    unit="°C",
    hold_s=0.0,
    origin="plan",
)
TICK = {"number": 0, "late_s": 0.25, "stage": 0, "gaps": {"b": "gone"}}


def record(run_id="aaaa11112222", **changes):
    plan = Plan(version=1, name="P", stages=(Stage(name="s", workload="integer", duration=2.0),))
    parts = {
        "run_id": run_id,
        "soakd_version": "0",
        "started_utc": "2026-01-01T00:00:00.000Z",
        "boot_id": "b",
        "drill": False,
        "plan": plan,
        "sheet": None,
        "snapshot": SNAPSHOT,
        "fingerprint": "f" * 64,
        "classes": {"integer/streams widest": "scalar"},
        "cores": (0,),
        "channels": (
            ChannelInfo(name="a", role="cpu-temperature", unit="°C"),
            ChannelInfo(name="b", role="fan", unit="rpm"),
        ),
        "bounds": (BOUND,),
        "cautions": (),
    }
    return RunRecord(**{**parts, **changes})


def verdict_of(run):
    evidence = Gatherer(run, {"integer": "ops"}).evidence(
        finished_utc="2026-01-01T00:01:00.000Z", same_boot=True, suspended_s=0.0, snapshot_after=None
    )
    return judge(run, evidence)


@pytest.fixture
def journal(tmp_path):
    writer = Writer(tmp_path / "journal.db")
    yield Journal(writer)
    writer.close()


def test_a_run_comes_back_as_it_was_written(journal):
    run = record()
    totals = WorkerTotals(core=0, rounds=3, operations=2**52, checked_s=1.5, note="n")
    events = [
        StageAnnounced(at_s=0.5, stage=0),
        Tick(at_s=1.0, values={"a": 71.5}, workers=(), **TICK),
        Found(at_s=2.0, finding=Finding(rule="r", weight="note", text="t"), stops=False),
        StageEnded(at_s=3.0, stage=0, complete=True, workers=(totals,)),
        RunEnded(at_s=3.5, ticks_due=1, ticks_lost=0, late_readings={}, guard_cpu_s=0.1, guard_peak_mib=30.0),
    ]
    journal.begin(run)
    journal.load_begins(run.run_id, events[0])
    for event in events[1:]:
        journal.add(run, event)
    assert journal.orphans() == [run]
    assert list(journal.replay(run)) == events


def test_the_last_totals_of_an_orphan_are_those_of_its_last_tick(journal):
    """No stage end was written: the bench died. What the workers had done by the last tick is still known."""
    run = record()
    journal.begin(run)
    journal.load_begins(run.run_id, StageAnnounced(at_s=0.0, stage=0))
    for number in range(3):
        workers = (WorkerTotals(core=0, rounds=number + 1, operations=10 * (number + 1)),)
        tick = {**TICK, "number": number}
        journal.add(run, Tick(at_s=float(number), values={"a": 50.0}, workers=workers, **tick))
    gatherer = Gatherer(run, {"integer": "ops"})
    for event in journal.replay(run):
        gatherer.add(event)
    evidence = gatherer.evidence(finished_utc="x", same_boot=False, suspended_s=0.0, snapshot_after=None)
    assert evidence.stages[0].rounds == 3
    assert evidence.stages[0].operations == 30
    verdict = judge(run, evidence)
    assert verdict.outcome == "fail"
    assert verdict.reasons[0].rule == "machine-went-down"


def test_a_finished_run_is_no_orphan_and_its_verdict_is_in_the_ledger(journal):
    run = record()
    journal.begin(run)
    verdict = verdict_of(run)
    journal.finish(verdict)
    assert journal.orphans() == []
    ledger = Ledger(journal._writer.path)
    assert [line.run_id for line in ledger.newest(10)] == [run.run_id]
    assert ledger.body("last") == ledger.body("aaaa") == verdict.model_dump_json()
    ledger.close()


def test_illegal_steps_are_refused_by_the_store_too(journal):
    run = record()
    journal.begin(run)
    with pytest.raises(StoreError, match="UNIQUE"):
        journal.begin(run)
    journal.finish(verdict_of(run))
    with pytest.raises(LookupError):
        journal.finish(verdict_of(run))
    with pytest.raises(LookupError):
        journal.load_begins(run.run_id, StageAnnounced(at_s=0.0, stage=0))


@pytest.mark.parametrize("statement", ["DELETE FROM verdict", "UPDATE verdict SET outcome = 'pass'"])
def test_the_ledger_is_append_only(journal, statement):
    run = record()
    journal.begin(run)
    journal.finish(verdict_of(run))
    other = sqlite3.connect(journal._writer.path)
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        other.execute(statement)
    other.close()


def test_the_schema_is_all_migrations_in_order(tmp_path):
    Writer(tmp_path / "journal.db").close()
    plain = sqlite3.connect(":memory:")
    for script in migrations():
        plain.executescript(script)
    made = sqlite3.connect(tmp_path / "journal.db")
    select = "SELECT name, sql FROM sqlite_master ORDER BY name"
    assert made.execute(select).fetchall() == plain.execute(select).fetchall()
    assert made.execute("PRAGMA user_version").fetchone()[0] == len(migrations())
    made.close()
    plain.close()


def test_a_commit_is_durable_and_logged_ahead(journal):
    """sqlite.org/pragma: WAL with synchronous=FULL (2) keeps the last commit through a power loss."""
    assert journal._writer._connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert journal._writer._connection.execute("PRAGMA synchronous").fetchone()[0] == 2


def test_a_newer_journal_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "journal.db"
    Writer(path).close()
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 999")
    connection.close()
    with pytest.raises(StoreError, match="newer"):
        Writer(path)
    with pytest.raises(StoreError, match="newer"):
        open_for_reading(path)


def test_a_damaged_journal_is_refused(tmp_path):
    path = tmp_path / "journal.db"
    path.write_bytes(b"no database at all" * 500)
    with pytest.raises(StoreError, match="cannot be used"):
        Writer(path)


def test_reading_needs_a_journal_and_cannot_write(tmp_path):
    with pytest.raises(StoreError, match="no journal"):
        Ledger(tmp_path / "journal.db")
    Writer(tmp_path / "journal.db").close()
    connection = open_for_reading(tmp_path / "journal.db")
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        connection.execute("DELETE FROM run")
    connection.close()


def test_an_identifier_must_name_exactly_one_verdict(journal):
    for run_id in ("aaaa11112222", "aaaa33334444"):
        journal.begin(record(run_id))
        journal.finish(verdict_of(record(run_id)))
    ledger = Ledger(journal._writer.path)
    for wanted, words in (("zz", "no verdict"), ("aaaa", "several"), ("%", "no verdict"), ("____", "no verdict")):
        with pytest.raises(UsageError, match=words):
            ledger.body(wanted)
    ledger.close()


def test_every_named_query_is_one_statement_that_sqlite_accepts(tmp_path):
    Writer(tmp_path / "journal.db").close()
    connection = sqlite3.connect(tmp_path / "journal.db")
    names = [
        line.removeprefix("-- name: ")
        for line in files("soakd.store").joinpath("queries.sql").read_text().splitlines()
        if line.startswith("-- name: ")
    ]
    assert len(names) >= 10
    for name in names:
        marks = query(name).count("?")
        named = re.findall(r":(\w+)", query(name))
        values = dict.fromkeys(named, "") if named else (None,) * marks
        connection.execute(f"EXPLAIN {query(name)}", values)
    connection.close()


def test_a_killed_writer_loses_nothing_that_was_confirmed(tmp_path):
    """A writer is killed with SIGKILL at a random point of a stream of commits; what it reported is there."""
    script = """
import sys
sys.path.insert(0, sys.argv[2])
from test_store import TICK, record
from soakd.model.journal import Tick
from soakd.store.journal import Journal
from soakd.store.writer import Writer
from pathlib import Path
journal = Journal(Writer(Path(sys.argv[1])))
run = record()
journal.begin(run)
for number in range(100000):
    journal.add(run, Tick(at_s=float(number), values={}, **{**TICK, "number": number}))
    print(number, flush=True)
"""
    path = tmp_path / "journal.db"
    arguments = [sys.executable, "-c", script, str(path), str(Path(__file__).parent)]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as writer:
        confirmed = [int(writer.stdout.readline()) for _ in range(200)]
        writer.kill()
        confirmed += [int(line) for line in writer.stdout if line.endswith("\n")]
    writer = Writer(path)
    journal = Journal(writer)
    (run,) = journal.orphans()
    numbers = [event.number for event in journal.replay(run)]
    assert numbers[: len(confirmed)] == confirmed
    assert writer._connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    writer.close()
