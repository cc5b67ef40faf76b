"""`soakd standing`: what the passes so far mean for the bench as it is now."""

from __future__ import annotations

import sys
from contextlib import closing
from typing import Annotated

import typer

from soakd.cli.options import Json, print_json


def standing(
    sheet: Annotated[
        str | None,
        typer.Option("--sheet", help="The settings as declared now; else as declared for each pass."),
    ] = None,
    json_: Json = False,
) -> None:
    """Tell whether a pass covers the bench as it is now, and if none does, what differs from the newest.

    Ends with 0 when one covers it, 1 when none does, 10 when nothing has passed yet: for use in a start script.

    Example: soakd standing --sheet trial-4.toml
    """
    from dataclasses import asdict

    from soakd.config.files import load_sheet
    from soakd.config.shipped import find
    from soakd.errors import EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
    from soakd.rules.standing import standing as stands
    from soakd.sensors.snapshot import take_snapshot
    from soakd.service.bench import require_linux
    from soakd.service.home import Home
    from soakd.store.ledger import Ledger

    require_linux()
    declared = load_sheet(find(sheet, "sheets")) if sheet else None
    with closing(Ledger(Home().journal)) as ledger:
        found = stands(ledger.newest_passes(), take_snapshot(), declared)
    if json_:
        print_json(asdict(found) if found else None)
    elif found is None:
        sys.stdout.write("nothing has passed on this bench yet\n")
    elif found.covered:
        sys.stdout.write(f"covered by the pass of {found.since_utc[:16]}Z, run {found.run_id}\n")
    else:
        sys.stdout.write(f"not covered; since the pass of {found.since_utc[:16]}Z, run {found.run_id}, this differs:\n")
        differs = found.differs or ("only the way in which this version of soakd keeps settings; run it again",)
        sys.stdout.writelines(f"  {line}\n" for line in differs)
    raise typer.Exit(EXIT_INCONCLUSIVE if found is None else EXIT_PASS if found.covered else EXIT_FAIL)
