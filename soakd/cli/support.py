"""`soakd support`: one archive to hand to a maintainer."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer


def support(
    out: Annotated[Path | None, typer.Option("--out", help="File to write; a dated name here if not given.")] = None,
    config: Annotated[
        Path | None,
        typer.Option("--config", help="The daemon's configuration; soakd.toml in the state folder if not given."),
    ] = None,
    log: Annotated[
        Path | None,
        typer.Option("--log", help="A file with the daemon's log; soakd.log in the state folder if not given."),
    ] = None,
) -> None:
    """Gather what a maintainer needs into one archive: versions, findings, settings, verdicts, drills, journal.

    Addresses, tokens, the host's name, user names and home folders are replaced by placeholders. Look into it before
    you hand it on: what you wrote into notes and names stays as it is.

    Example: soakd support --out tonight.tar.gz
    """
    from soakd.clock import SystemClock
    from soakd.service.home import Home
    from soakd.service.support import archive, default_name, write

    home, clock = Home(), SystemClock()
    content = archive(
        home, clock, configuration=config or home.folder / "soakd.toml", log=log or home.folder / "soakd.log"
    )
    path = out or Path(default_name(clock))
    write(path, content)
    sys.stdout.write(f"{path}\n")
