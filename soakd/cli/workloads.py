"""`soakd workloads`: what can be run here."""

from __future__ import annotations

import typer

from soakd.cli.options import Json, print_json

app = typer.Typer(no_args_is_help=True, help="Look at the workloads.")


@app.command("list")
def list_(json_: Json = False) -> None:
    """List the workloads: what each loads, what it catches, what it cannot catch, and its classes on this core.

    Example: soakd workloads list
    """
    from soakd.service import bench
    from soakd.workloads.catalog import KINDS

    here = bench.classes()
    if json_:
        print_json(
            [
                {
                    "name": kind.name,
                    "counts": kind.unit,
                    "loads": kind.loads,
                    "catches": kind.catches,
                    "misses": kind.misses,
                    "classes": list(kind.classes),
                    "classes_here": list(here[kind.name]),
                }
                for kind in KINDS.values()
            ]
        )
        return
    from rich.console import Console
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    console = Console()
    for kind in KINDS.values():
        table = Table.grid(padding=(0, 2))
        table.add_column(style="dim", no_wrap=True)
        table.add_column(overflow="fold")
        table.add_row("loads", kind.loads)
        table.add_row("catches", kind.catches)
        table.add_row("cannot catch", kind.misses)
        table.add_row("classes here", f"{', '.join(here[kind.name])} (widest: {here[kind.name][-1]})")
        console.print(Text(kind.name, style="bold"), Padding(table, (0, 0, 1, 2)))
