"""A run's readings in a file are what the journal holds, to the last bit, with units and gaps."""

from __future__ import annotations

import csv
import struct
import sys
from contextlib import closing

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import parquet
from rules.run_parts import channel, clean_run, record, verdict

from soakd.errors import UsageError
from soakd.model.channels import Role
from soakd.model.journal import StageAnnounced, Tick
from soakd.service.exporting import export_readings
from soakd.service.home import Home
from soakd.store.journal import Journal
from soakd.store.writer import Writer

FAN = 'hwmon/board/fan, "1"'
NAMES = ("hwmon/k10temp/Tctl [°C]", f"{FAN} [rpm]", "probe/core 0 [MHz]", "probe/core 1 [MHz]")


def single(value):
    """As float32 keeps it."""
    return struct.unpack("f", struct.pack("f", value))[0]


def filled(folder, readings=()):
    """A journal with one run; the fan has the given readings and then none."""
    about = record(channels=[channel(critical=95.0), channel(FAN, Role.FAN)])
    events, fan = [], dict(enumerate(readings))
    for event in clean_run(about):
        values = {**event.values, FAN: fan.get(event.number)} if isinstance(event, Tick) else {}
        values = {name: value for name, value in values.items() if value is not None}
        events.append(event.model_copy(update={"values": values}) if isinstance(event, Tick) else event)
    home = Home(folder)
    home.make()
    with closing(Writer(home.journal)) as writer:
        journal = Journal(writer)
        journal.begin(about)
        for event in events:
            journal.load_begins(about.run_id, event) if isinstance(event, StageAnnounced) else journal.add(about, event)
        journal.finish(verdict(about, events))
    return home, [event for event in events if isinstance(event, Tick)]


@settings(max_examples=20, deadline=None)
@given(st.lists(st.floats(width=32, allow_nan=False, allow_infinity=False), max_size=10))
def test_both_forms_give_every_reading_back(tmp_path_factory, fan):
    folder = tmp_path_factory.mktemp("readings")
    home, ticks = filled(folder / "home", fan)
    _, columns = export_readings(home, "last", folder / "night.csv")
    export_readings(home, "last", folder / "night.parquet")
    assert len(columns.at_s) == len(ticks)
    with (folder / "night.csv").open(encoding="utf-8", newline="") as text:
        rows = list(csv.DictReader(text))
    table = parquet.read_table(folder / "night.parquet").to_pylist()
    assert tuple(rows[0]) == tuple(table[0]) == ("at [s]", "utc", "stage", "rounds", *NAMES)
    for row, kept, tick in zip(rows, table, ticks, strict=True):
        assert float(row["at [s]"]) == pytest.approx(tick.at_s, abs=0.0005)
        assert kept["at [s]"] == tick.at_s
        assert (row["stage"], kept["stage"]) == ("1", 1)
        for heading, name in zip(NAMES, ("hwmon/k10temp/Tctl", FAN, "probe/core 0", "probe/core 1"), strict=True):
            wanted = tick.values.get(name)
            assert (None if row[heading] == "" else single(float(row[heading]))) == wanted
            assert kept[heading] == wanted


def test_cells_are_as_short_as_they_can_be_and_times_are_those_of_the_run(tmp_path):
    home, _ = filled(tmp_path / "home", [1200.1])
    export_readings(home, "last", tmp_path / "night.csv")
    first = (tmp_path / "night.csv").read_bytes().split(b"\r\n")[1]
    assert first == b"2.000,2026-01-01T00:00:02.000Z,1,0,70.0,1200.1,4690.0,4700.0"


def test_units_and_run_travel_in_the_parquet_file(tmp_path):
    home, _ = filled(tmp_path / "home")
    run_id, _ = export_readings(home, "last", tmp_path / "night.parquet")
    schema = parquet.read_schema(tmp_path / "night.parquet")
    assert schema.metadata[b"run"].decode() == run_id
    assert schema.metadata[b"thinned"] == b"no"
    assert schema.field(NAMES[0]).metadata[b"unit"].decode() == "°C"
    assert schema.field(NAMES[1]).metadata[b"role"] == b"fan"
    assert schema.field(NAMES[1]).type == pa.float32()
    assert schema.field("utc").type == pa.timestamp("ms", tz="UTC")


def test_what_cannot_be_written_is_refused_with_what_would_be_right(tmp_path, monkeypatch):
    home, _ = filled(tmp_path / "home")
    with pytest.raises(UsageError, match=r"\.csv or \.parquet"):
        export_readings(home, "last", tmp_path / "night.xlsx")
    with pytest.raises(UsageError, match="No such file"):
        export_readings(home, "last", tmp_path / "no" / "night.csv")
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(UsageError, match="needs pyarrow") as refused:
        export_readings(home, "last", tmp_path / "night.parquet")
    assert "soakd[parquet]" in refused.value.hint
