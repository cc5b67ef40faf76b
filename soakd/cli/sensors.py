"""`soakd sensors`: what this bench lets us see."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from soakd.cli.options import Json, print_json

if TYPE_CHECKING:
    from soakd.service.readings import Shown

app = typer.Typer(no_args_is_help=True, help="Look at sensor channels.")


@app.command("list")
def list_(json_: Json = False) -> None:
    """List every channel with its role, unit, critical value and present reading.

    Example: soakd sensors list
    """
    from soakd.clock import SystemClock
    from soakd.service.readings import Watch

    seen = Watch(SystemClock())
    seen.warm_up()
    shown = seen.look()
    if json_:
        from dataclasses import asdict

        print_json([asdict(each) for each in shown])
        return
    _table(shown)
    if not any(each.role == "cpu-temperature" for each in shown):
        sys.stderr.write("no processor temperature here: see `soakd doctor`\n")


@app.command("watch")
def watch(
    every_s: Annotated[float, typer.Option("--every", min=0.1, help="Seconds between two looks.")] = 1.0,
    count: Annotated[int, typer.Option("--count", min=0, help="How many looks; 0 goes on until Ctrl-C.")] = 0,
    json_: Json = False,
) -> None:
    """Show readings again and again; with --json one object a line.

    Example: soakd sensors watch --every 0.5
    """
    from soakd.clock import SystemClock, utc_text
    from soakd.service.readings import Watch

    clock = SystemClock()
    seen = Watch(clock)
    number = 0
    try:
        seen.warm_up()
        while True:
            number += 1
            shown = seen.look()
            if json_:
                readings = {each.name: each.value if each.gap is None else None for each in shown}
                sys.stdout.write(json.dumps({"at": utc_text(clock.wall()), "readings": readings}) + "\n")
                sys.stdout.flush()
            else:
                sys.stdout.write(f"{utc_text(clock.wall())}\n")
                _table(shown)
            if number == count:
                return
            clock.sleep(every_s)
    except KeyboardInterrupt:
        return


def _table(shown: list[Shown]) -> None:
    from rich.console import Console
    from rich.table import Table

    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for title in ("channel", "role", "reading", "critical"):
        table.add_column(title, justify="right" if title in {"reading", "critical"} else "left", overflow="fold")
    for each in shown:
        critical = "" if each.critical is None else f"{each.critical:g} {each.unit}"
        table.add_row(each.name, each.role, each.text, critical)
    Console().print(table)
