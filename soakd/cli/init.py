"""`soakd init`: files to begin with."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from soakd.cli.options import Config, Json, own_configuration, print_json, refuse_existing, write_new


def init(
    folder: Annotated[
        Path | None, typer.Argument(metavar="DIR", help="Folder to write into; the state folder if not given.")
    ] = None,
    config: Config = None,
    json_: Json = False,
) -> None:
    """Write a starting set for this bench: the configuration with every key explained, a sheet, and the first plan.

    Nothing is overwritten: where one of the files is there already, none is written. In the state folder the daemon and
    its pages find them by themselves.

    Example: soakd init
    """
    from soakd.service.bench import require_linux

    require_linux()
    from soakd.clock import SystemClock
    from soakd.service.home import Home
    from soakd.service.starting import starting_set

    home = Home(folder)
    files = {home.folder / name: text for name, text in starting_set(own_configuration(config), SystemClock()).items()}
    for file in files:
        refuse_existing(file, force=False)
    home.make()
    for file, text in files.items():
        file.parent.mkdir(exist_ok=True)
        write_new(file, text)
    if json_:
        print_json({"files": [str(file) for file in files]})
        return
    own, sheet, plan = files
    sys.stdout.write(f"{own}\n{sheet}: declare what you have set; the rest is not claimed\n{plan}\n")
    sys.stdout.write(f"Next: soakd doctor, soakd drill, then soakd run {plan} --sheet {sheet}\n")
