"""`soakd verdict readings`: what every channel read in a run, for other programs."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from soakd.cli.options import Json, print_json, refuse_existing
from soakd.cli.report import Which


def readings(
    which: Which = "last",
    out: Annotated[Path, typer.Option("--out", "-o", help="File to write: name.csv or name.parquet.")] = Path(
        "readings.csv"
    ),
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it is there already.")] = False,
    json_: Json = False,
) -> None:
    """Write all readings of a run: a row for each tick, a column for each channel with its unit in the heading.

    An empty cell is a gap. Of a run that retention has thinned every tenth tick is left, and the extremes. Parquet
    needs pyarrow: pip install 'soakd[parquet]'.

    Example: soakd verdict readings last -o night.csv
    """
    from soakd.service.exporting import export_readings
    from soakd.service.home import Home

    refuse_existing(out, force=force)
    run_id, columns = export_readings(Home(), which, out)
    counts = {"ticks": len(columns.at_s), "channels": len(columns.channels)}
    if json_:
        print_json({"run": run_id, "file": str(out), **counts, "thinned": columns.thinned})
        return
    thinned = ", thinned by retention" if columns.thinned else ""
    sys.stdout.write(f"{out}: {counts['ticks']} ticks of {counts['channels']} channels{thinned}\n")
