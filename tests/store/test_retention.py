"""Old readings are thinned: peaks and gaps stay, verdicts stay, and an interruption costs nothing."""

import math
import time
from array import array

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rules.run_parts import CPU, record, tick, verdict

from soakd.model.journal import StageAnnounced
from soakd.store.database import open_for_reading
from soakd.store.journal import Journal
from soakd.store.retention import EVERY, WINDOW_TICKS, Retention, kept
from soakd.store.writer import Writer

NOW = "2026-06-01T00:00:00.000Z"
OLD = "2026-02-01T00:00:00.000Z"
"""The run of these tests finished on the first of January."""


@pytest.fixture
def writer(tmp_path):
    opened = Writer(tmp_path / "journal.db")
    yield opened
    opened.close()


def rows_of(columns, stages=None):
    """Ticks as the journal stores them, from one list of readings for each channel."""
    ticks = zip(*columns, strict=True)
    return [(n, stages[n] if stages else 0, array("f", values).tobytes()) for n, values in enumerate(ticks)]


def fill(writer, run, values, *, finished=True):
    """A run with a table of readings: ticks × channels."""
    journal = Journal(writer)
    journal.begin(run)
    table = np.asarray(values, dtype="<f4")
    statements = [
        ("insert_tick", (run.run_id, number, float(number), 0.0, 0, row.tobytes(), None, None))
        for number, row in enumerate(table)
    ]
    writer.write(statements)
    if finished:
        journal.finish(verdict(run))
    return table


def ticks_of(writer, run):
    rows = writer.read("ticks_of_run", run.run_id)
    return {row[0]: np.frombuffer(row[4], dtype="<f4") for row in rows}


READING = st.one_of(st.just(math.nan), st.floats(-50, 120, width=32))


@given(
    st.integers(1, 3).flatmap(lambda n: st.lists(st.lists(READING, min_size=n, max_size=n), min_size=1, max_size=60))
)
def test_every_channel_keeps_its_extremes_and_whether_it_had_a_gap(table):
    columns = list(zip(*table, strict=True))
    rows = rows_of(columns)
    keep = kept(rows)
    assert {0, len(rows) - 1} | {n for n in range(len(rows)) if n % EVERY == 0} <= keep
    for column in columns:
        known = [value for value in column if not math.isnan(value)]
        left = [column[n] for n in keep if not math.isnan(column[n])]
        assert (min(left, default=None), max(left, default=None)) == (
            min(known, default=None),
            max(known, default=None),
        )
        assert any(math.isnan(column[n]) for n in keep) == (len(known) < len(column))
    assert kept([row for row in rows if row[0] in keep]) == keep, "doing it again changes nothing"


def test_the_first_and_last_tick_of_each_stage_stay():
    stages = [0] * 23 + [None] * 4 + [1] * 26
    assert {22, 23, 26, 27, 52} <= kept(rows_of([[1.0] * 53], stages))


def test_a_channel_that_never_moves_costs_nothing():
    assert kept(rows_of([[5.0] * 100] * 40)) == {*range(0, 100, EVERY), 99}


def test_no_ticks_keep_none():
    assert kept([]) == set()


def test_thinning_leaves_verdict_and_events_as_they_were(writer):
    run = record()
    fill(writer, run, np.random.default_rng(1).normal(60, 5, (500, 2)))
    before = [writer.read(name, *more) for name, *more in (("newest_verdict",), ("events_of_run", run.run_id))]
    steps = list(Retention(writer).steps(OLD, NOW))
    assert steps[-1].done
    assert len(ticks_of(writer, run)) == steps[0].after < 60
    after = [writer.read(name, *more) for name, *more in (("newest_verdict",), ("events_of_run", run.run_id))]
    assert after == before


def test_a_thinned_run_can_still_be_replayed(writer):
    run, journal = record(), Journal(writer)
    journal.begin(run)
    journal.load_begins(run.run_id, StageAnnounced(at_s=0.0, stage=0))
    for number in range(40):
        journal.add(run, tick(float(number), number, values={CPU: 50.0 + number % 7}))
    journal.finish(verdict(run))
    assert len(list(Retention(writer).steps(OLD, NOW))) == 2
    values = [event.values[CPU] for event in journal.replay(run) if event.kind == "tick"]
    assert (min(values), max(values)) == (50.0, 56.0)
    assert len(values) < 12


@pytest.mark.parametrize(
    ("finished", "before"), [(False, OLD), (True, "2025-12-31T00:00:00.000Z")], ids=["it is on", "it is young"]
)
def test_a_run_that_is_on_or_young_is_left_alone(writer, finished, before):
    run = record()
    fill(writer, run, np.ones((100, 2)), finished=finished)
    assert list(Retention(writer).steps(before, NOW)) == []
    assert len(ticks_of(writer, run)) == 100


def test_each_run_is_thinned_once(writer):
    fill(writer, record(), np.ones((100, 2)))
    assert len(list(Retention(writer).steps(OLD, NOW))) == 2
    assert list(Retention(writer).steps(OLD, NOW)) == []


def test_a_run_without_readings_is_done_at_once(writer):
    journal, run = Journal(writer), record()
    journal.begin(run)
    journal.finish(verdict(run))
    assert [step.done for step in Retention(writer).steps(OLD, NOW)] == [True]


def test_an_interrupted_thinning_ends_as_one_that_was_not(tmp_path):
    """Left after its first window, and begun again from another process' point of view."""
    table = np.random.default_rng(2).normal(60, 5, (2 * WINDOW_TICKS + 77, 3))
    ends = []
    for interrupted in (False, True):
        writer = Writer(tmp_path / f"{interrupted}.db")
        run = record()
        fill(writer, run, table)
        if interrupted:
            next(Retention(writer).steps(OLD, NOW))
            assert len(ticks_of(writer, run)) > WINDOW_TICKS
            writer.close()
            writer = Writer(tmp_path / f"{interrupted}.db")
        *_, last = Retention(writer).steps(OLD, NOW)
        assert last.done
        ends.append(list(ticks_of(writer, run)))
        writer.close()
    assert ends[0] == ends[1]


def test_a_night_of_a_hundred_channels_keeps_every_hour_s_peaks_in_a_fifth_of_the_space(writer):
    """28,800 ticks, every channel restless: the worst case for what must stay."""
    run = record()
    table = fill(writer, run, np.random.default_rng(3).normal(60, 5, (28_800, 100)))
    pages = writer._connection.execute("PRAGMA page_count").fetchone()[0]
    steps = list(Retention(writer).steps(OLD, NOW))
    left = ticks_of(writer, run)
    assert len(steps) == 9
    assert len(left) == sum(step.after for step in steps) < 0.2 * len(table)
    for start in range(0, 28_800, WINDOW_TICKS):
        hour = np.array([left[n] for n in left if start <= n < start + WINDOW_TICKS])
        whole = table[start : start + WINDOW_TICKS]
        assert np.array_equal(hour.min(axis=0), whole.min(axis=0))
        assert np.array_equal(hour.max(axis=0), whole.max(axis=0))
    free = Retention(writer).give_back()
    assert free > 0.7 * pages, "later runs fill these pages"
    assert writer._connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"


def test_the_next_night_fills_what_was_freed(writer, tmp_path):
    """The file stops growing, although nothing is given back."""
    rng, retention = np.random.default_rng(4), Retention(writer)
    fill(writer, record(), rng.normal(60, 5, (6_000, 50)))
    list(retention.steps(OLD, NOW))
    assert retention.give_back() > 200
    full = (tmp_path / "journal.db").stat().st_size
    fill(writer, record(run_id="20260102-000000-abcd"), rng.normal(60, 5, (4_000, 50)))
    retention.give_back()
    assert (tmp_path / "journal.db").stat().st_size == full


def test_a_reader_in_the_middle_of_something_delays_nothing(writer, tmp_path):
    fill(writer, record(), np.ones((100, 2)))
    reader = open_for_reading(tmp_path / "journal.db")
    cursor = reader.execute("SELECT number FROM tick")
    cursor.fetchone()
    began = time.monotonic()
    assert len(list(Retention(writer).steps(OLD, NOW))) == 2
    Retention(writer).give_back()
    assert time.monotonic() - began < 1.0
    assert len(cursor.fetchall()) == 99, "the reader goes on seeing what it began with"
    reader.close()
