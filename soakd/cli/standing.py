"""`soakd standing`: what the passes so far mean for the bench as it is now."""

from __future__ import annotations

import sys
from contextlib import closing
from typing import TYPE_CHECKING, Annotated

import typer

from soakd.cli.options import Json, print_json

if TYPE_CHECKING:
    from pathlib import Path


def standing(
    sheet: Annotated[
        str | None,
        typer.Option("--sheet", help="The settings as declared now; else as declared for each pass."),
    ] = None,
    json_: Json = False,
) -> None:
    """Tell whether a pass covers the bench as it is now, and if none does, what differs from the nearest.

    A pass counts until the same settings fail. Ends with 0 when one covers the bench, 1 when none does, 10 when nothing
    has passed yet: for use in a start script.

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
    declared, journal = load_sheet(find(sheet, "sheets")) if sheet else None, Home().journal
    found = None
    if journal.exists():
        with closing(Ledger(journal)) as ledger:
            found = stands(ledger.newest_of_passed(), take_snapshot(), declared)
    if json_:
        print_json(asdict(found) if found else None)
    elif found is None:
        sys.stdout.write("nothing has passed on this bench yet\n" if journal.exists() else _no_journal(journal))
    else:
        told = [found.scope] if found.covered else found.differs
        sys.stdout.writelines(f"{line}\n" for line in (found.line, *(f"  {each}" for each in told if each)))
    raise typer.Exit(EXIT_INCONCLUSIVE if found is None else EXIT_PASS if found.covered else EXIT_FAIL)


def _no_journal(journal: Path) -> str:
    return f"nothing has passed on this bench yet: there is no journal at {journal}\n"
