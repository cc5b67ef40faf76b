"""`soakd workloads`: what can be run here."""

from __future__ import annotations

import sys
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from soakd.cli.options import Config, Json, own_configuration, print_json

if TYPE_CHECKING:
    from soakd.service.offered import Offered

app = typer.Typer(no_args_is_help=True, help="Look at the workloads.")


@app.command("list")
def list_(config: Config = None, json_: Json = False) -> None:
    """List the workloads: what each loads, what it catches, what it cannot catch, and its classes on this core.

    Example: soakd workloads list
    """
    from soakd.errors import PluginError
    from soakd.service.offered import own, plugged

    told = [*own(), *plugged(own_configuration(config).plugins)]
    offered = [each for each in told if not isinstance(each, PluginError)]
    if json_:
        print_json([asdict(each) for each in offered])
    else:
        _show(offered)
    for each in told:
        if isinstance(each, PluginError):
            sys.stderr.write(f"soakd: {each.message}\n")


def _show(offered: list[Offered]) -> None:
    from rich.console import Console
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    console = Console()
    for each in offered:
        table = Table.grid(padding=(0, 2))
        table.add_column(style="dim", no_wrap=True)
        table.add_column(overflow="fold")
        table.add_row("loads", Text(each.loads))
        table.add_row("catches", Text(each.catches))
        table.add_row("cannot catch", Text(each.misses))
        widest = f" (widest: {each.classes_here[-1]})" if len(each.classes_here) > 1 else ""
        table.add_row("classes here", f"{', '.join(each.classes_here) or 'none'}{widest}")
        short = Text(f"  or just {each.name.partition('/')[0]}" if each.default else "", style="dim")
        console.print(Text(each.name, style="bold") + short, Padding(table, (0, 0, 1, 2)))


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
    from soakd.clock import SystemClock
    from soakd.service import bench
    from soakd.service.home import Home
    from soakd.service.throughput import measure as measured
    from soakd.service.throughput import wanted
    from soakd.service.tuning import issue_order

    bench.require_linux()
    pairs = wanted(workloads or [], class_)
    home = Home()
    home.make()
    with home.bench_lock():
        order = issue_order(
            (workload for workload, _ in pairs), home, SystemClock(), lambda line: sys.stderr.write(f"NOTE: {line}\n")
        )
        found = measured(pairs, bench.cores(), rounds, order)
        if json_:
            print_json([{**asdict(row), "limit_share": row.limit_share} for row in found])
            return
        from rich.console import Console

        from soakd.report.throughput import heading, line

        console = Console(highlight=False)
        console.print(heading(len(bench.cores())), soft_wrap=True)
        for row in found:
            console.print(line(row), soft_wrap=True)
