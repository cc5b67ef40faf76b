"""From the ledger to a page: readings as the journal has them, the signature as it is, and no file overwritten."""

from __future__ import annotations

import io
import json
import math
import sys
from contextlib import closing, redirect_stderr, redirect_stdout

import pytest
from rules.run_parts import clean_run, record, totals
from trust_parts import Bench

from soakd.cli.main import main
from soakd.errors import UsageError
from soakd.model.journal import StageAnnounced, Tick
from soakd.service.reporting import card_of, report_of
from soakd.store.journal import Journal
from soakd.store.readings import Readings
from soakd.store.retention import Retention
from soakd.store.writer import Writer

PLAN = """
version = 1
name = "Short"
[[limit]]
of = "cpu-temperature"
above = "90 °C"
[[stage]]
name = "Heat"
workload = "vector"
duration = "2 min"
"""


def typed(*words):
    """Exit code, standard output, standard error."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(out), redirect_stderr(err):
        patch.setattr(sys, "argv", ["soakd", *words])
        try:
            main()
        except SystemExit as left:
            return left.code or 0, out.getvalue(), err.getvalue()
    return 0, out.getvalue(), err.getvalue()


def test_columns_are_what_was_written(tmp_path):
    about = record()
    done = (totals(0, rounds=7), totals(1, rounds=4))
    events = [
        event.model_copy(update={"workers": done}) if isinstance(event, Tick) else event for event in clean_run(about)
    ]
    with closing(Writer(tmp_path / "journal.db")) as writer:
        journal = Journal(writer)
        journal.begin(about)
        for event in events:
            journal.load_begins(about.run_id, event) if isinstance(event, StageAnnounced) else journal.add(about, event)
    with closing(Readings(tmp_path / "journal.db")) as readings:
        assert readings.record(about.run_id) == about
        assert readings.events(about.run_id) == [event for event in events if not isinstance(event, Tick)]
        columns = readings.columns(about)
    ticks = [event for event in events if isinstance(event, Tick)]
    assert list(columns.at_s) == [tick.at_s for tick in ticks]
    for number, channel in enumerate(about.channels):
        for value, tick in zip(columns.column(number), ticks, strict=True):
            assert value == tick.values[channel.name] or math.isnan(value)
    assert list(columns.rounds) == [11] * len(ticks)
    assert list(columns.stage) == [0] * len(ticks)
    assert not columns.thinned


def test_a_report_names_the_key_that_signed_and_refuses_what_was_changed(tmp_path):
    bench = Bench(tmp_path, runs=2)
    run_id, html = report_of(bench.home, "run-0001", "Europe/Berlin")
    assert run_id == "run-0001"
    assert bench.key.public().keyid in html
    assert "verified when this report was made" in html
    assert "UTC (01:00:00 CET on the bench)" in html
    made_up = """replace(body, '"outcome":"fail"', '"outcome":"pass"')"""
    bench.by_hand(f"UPDATE verdict SET outcome = 'pass', body = {made_up}")
    assert "REFUSED: do not trust this verdict" in report_of(bench.home, "run-0002", None)[1]
    assert "REFUSED: do not trust this verdict" in card_of(bench.home, "run-0002")[1]
    assert f"signed by key {bench.key.public().keyid[:16]}…;" in card_of(bench.home, "run-0001")[1]
    unsigned = Bench(tmp_path / "other", runs=1, signed=False)
    assert "<dd>unsigned</dd>" in report_of(unsigned.home, "last", None)[1]
    with pytest.raises(UsageError, match="no verdict"):
        report_of(bench.home, "nobody", None)


def test_a_run_that_retention_has_thinned_says_so(tmp_path):
    bench = Bench(tmp_path, runs=1)
    assert "Retention has thinned" not in report_of(bench.home, "last", None)[1]
    with closing(Writer(bench.home.journal)) as writer:
        assert list(Retention(writer).steps("2027-01-01T00:00:00.000Z", "2027-01-01T00:00:00.000Z"))
    assert "Retention has thinned" in report_of(bench.home, "last", None)[1]


def test_the_command_writes_a_new_file_and_replaces_one_only_when_told(tmp_path, monkeypatch):
    Bench(tmp_path / "home", runs=1)
    monkeypatch.setenv("SOAKD_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    assert typed("verdict", "report") == (0, "soakd-run-0001.html\n", "")
    page = (tmp_path / "soakd-run-0001.html").read_text()
    assert page.startswith("<!doctype html>")
    code, out, err = typed("verdict", "report")
    assert (code, out) == (2, "")
    assert "is there already" in err
    assert "--force" in err
    code, out, err = typed("verdict", "report", "last", "--force", "--json", "-o", "soakd-run-0001.html")
    assert (code, err) == (0, "")
    assert json.loads(out) == {"run": "run-0001", "file": "soakd-run-0001.html", "bytes": len(page.encode())}
    assert typed("verdict", "card") == (0, "soakd-run-0001.svg\n", "")
    assert typed("verdict", "card")[0] == 2
    assert typed("verdict", "card", "last", "-o", "label.PNG") == (0, "label.PNG\n", "")
    assert (tmp_path / "label.PNG").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    code, out, err = typed("verdict", "card", "last", "-o", "label.jpg")
    assert (code, out) == (2, "")
    assert "has to end in .svg or .png" in err
    assert typed("verdict", "readings", "-o", "all.csv") == (0, "all.csv: 0 ticks of 3 channels\n", "")
    assert typed("verdict", "readings", "-o", "all.csv")[0] == 2
    code, _, err = typed("verdict", "report", "-o", str(tmp_path / "no" / "where.html"))
    assert code == 2
    assert "No such file or directory" in err


def test_a_rehearsal_can_be_reported_and_is_marked_as_one(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "short.toml").write_text(PLAN)
    words = ("plan", "rehearse", "short.toml", "--sheet", "lantern", "--bench", "lantern", "--report", "short.html")
    code, out, err = typed(*words)
    assert (code, err) == (0, "")
    assert "Rehearsal of Short" in out
    page = (tmp_path / "short.html").read_text()
    assert page.startswith("<!doctype html>")
    assert "Rehearsed on the virtual bench “Lantern, virtual”, seed 1" in page
    code, _, err = typed(*words)
    assert code == 2
    assert "is there already" in err
    assert typed(*words, "--force")[0] == 0
