"""`soakd workloads`: what can be run here."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

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
                    "name": f"{kind.name}/{name}",
                    "default": name == kind.default,
                    "counts": kind.unit,
                    "loads": kernel.loads,
                    "catches": kernel.catches,
                    "misses": kernel.misses,
                    "classes": list(kernel.classes),
                    "classes_here": list(here[f"{kind.name}/{name}"]),
                }
                for kind in KINDS.values()
                for name, kernel in kind.kernels.items()
            ]
        )
        return
    from rich.console import Console
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    console = Console()
    for kind in KINDS.values():
        for name, kernel in kind.kernels.items():
            full = f"{kind.name}/{name}"
            table = Table.grid(padding=(0, 2))
            table.add_column(style="dim", no_wrap=True)
            table.add_column(overflow="fold")
            table.add_row("loads", kernel.loads)
            table.add_row("catches", kernel.catches)
            table.add_row("cannot catch", kernel.misses)
            widest = f" (widest: {here[full][-1]})" if len(here[full]) > 1 else ""
            table.add_row("classes here", f"{', '.join(here[full]) or 'none'}{widest}")
            short = Text(f"  or just {kind.name}" if name == kind.default else "", style="dim")
            console.print(Text(full, style="bold") + short, Padding(table, (0, 0, 1, 2)))


@app.command()
def measure(
    workloads: Annotated[
        list[str] | None, typer.Argument(help="Kinds or kernels, such as vector or vector/lanes; all if none is named.")
    ] = None,
    class_: Annotated[str | None, typer.Option("--class", help="Only this instruction class.")] = None,
    rounds: Annotated[int, typer.Option(min=3, max=1000, help="Rounds of 60 ms for each figure.")] = 15,
    json_: Json = False,
) -> None:
    """Measure every kernel: throughput, share of the core's limit, cost of its check; one core, then all at once.

    This loads the cores at full power without a guard, a second or two per line: stay at the bench. Ctrl-C ends it.

    Example: soakd workloads measure vector --class widest
    """
    from soakd.service import bench
    from soakd.service.home import Home
    from soakd.service.throughput import measure as measured
    from soakd.service.throughput import wanted

    bench.require_linux()
    pairs = wanted(workloads or [], class_)
    home = Home()
    home.make()
    with home.bench_lock():
        found = measured(pairs, bench.cores(), rounds)
        if json_:
            print_json([{**asdict(row), "limit_share": row.limit_share} for row in found])
            return
        from rich.console import Console

        from soakd.report.throughput import heading, line

        console = Console(highlight=False)
        console.print(heading(len(bench.cores())), soft_wrap=True)
        for row in found:
            console.print(line(row), soft_wrap=True)
