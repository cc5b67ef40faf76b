"""A run's readings as a file for other programs: CSV, or Parquet where its library is installed."""

from __future__ import annotations

from contextlib import closing
from importlib.metadata import version
from typing import TYPE_CHECKING

import numpy as np

from soakd.errors import UsageError
from soakd.report.readings import LEADING, csv_parts, heading, moments, stage_numbers
from soakd.store.ledger import Ledger, verdict_in
from soakd.store.readings import Readings

if TYPE_CHECKING:
    from pathlib import Path

    from soakd.model.columns import Columns
    from soakd.model.run import RunRecord
    from soakd.service.home import Home

KINDS = (".csv", ".parquet")


def export_readings(home: Home, which: str, file: Path) -> tuple[str, Columns]:
    """Run and readings. Raises UsageError, too, for another kind of file, or one that cannot be written."""
    if file.suffix not in KINDS:
        raise UsageError(f"{file}: the name has to end in {' or '.join(KINDS)}")
    with closing(Ledger(home.journal)) as ledger:
        run_id = verdict_in(ledger.body(which)).run_id
    with closing(Readings(home.journal)) as readings:
        record = readings.record(run_id)
        columns = readings.columns(record)
    try:
        _parquet(record, columns, file) if file.suffix == ".parquet" else _csv(record, columns, file)
    except OSError as error:
        raise UsageError(f"{file}: {error.strerror or error}") from error
    return run_id, columns


def _csv(record: RunRecord, columns: Columns, file: Path) -> None:
    with file.open("w", encoding="utf-8", newline="") as text:
        text.writelines(csv_parts(columns, record.started_utc))


def _parquet(record: RunRecord, columns: Columns, file: Path) -> None:
    """Float32 as they are kept; a gap is a null. Unit and role are in each column's metadata, too."""
    try:
        import pyarrow as pa  # noqa: PLC0415 - an optional extra, and slow to load
        from pyarrow import parquet  # noqa: PLC0415 - likewise
    except ImportError:
        raise UsageError("Parquet needs pyarrow", hint="pip install 'soakd[parquet]', or write .csv") from None
    fields = [
        pa.field(LEADING[0], pa.float64()),
        pa.field(LEADING[1], pa.timestamp("ms", tz="UTC")),
        pa.field(LEADING[2], pa.int16()),
        pa.field(LEADING[3], pa.int64()),
    ]
    arrays = [
        pa.array(np.frombuffer(columns.at_s, dtype=np.float64)),
        pa.array(moments(columns, record.started_utc), type=pa.timestamp("ms", tz="UTC"), safe=False),
        pa.array(stage_numbers(columns), type=pa.int16()),
        pa.array(np.frombuffer(columns.rounds, dtype=np.int64)),
    ]
    for number, channel in enumerate(columns.channels):
        fields.append(pa.field(heading(channel), pa.float32(), metadata={"unit": channel.unit, "role": channel.role}))
        values = np.frombuffer(columns.column(number), dtype=np.float32)
        arrays.append(pa.array(values, from_pandas=True))
    about = {
        "run": record.run_id,
        "plan": record.plan.name,
        "fingerprint": record.fingerprint,
        "soakd": version("soakd"),
        "thinned": "yes" if columns.thinned else "no",
    }
    parquet.write_table(pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=about)), file)
