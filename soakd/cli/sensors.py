"""`soakd sensors`: what this bench lets us see."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Annotated, Self

import typer

from soakd.cli.options import Config, Json, own_configuration, print_json

if TYPE_CHECKING:
    from rich.console import Group

    from soakd.service.readings import Shown

app = typer.Typer(no_args_is_help=True, help="Look at sensor channels.")

Of = Annotated[str, typer.Option("--of", help="Only channels with this role, or with this in their name.")]


@app.command("list")
def list_(
    of: Of = "",
    plan: Annotated[str | None, typer.Option("--plan", help="Show the limits of this plan: a file or a name.")] = None,
    config: Config = None,
    json_: Json = False,
) -> None:
    """List every channel with its role, present reading, critical value or limit, health, and why there is a gap.

    Example: soakd sensors list --plan overnight
    """
    from rich.console import Console

    from soakd.clock import SystemClock
    from soakd.service.readings import Watch

    own = own_configuration(config)
    seen = Watch(SystemClock(), of=of, roles=own.roles, plugins=own.plugins)
    seen.warm_up()
    if plan is not None:
        from soakd.config.files import load_plan
        from soakd.config.shipped import find

        seen.hold_against(load_plan(find(plan, "plans")))
    shown = seen.look()
    if json_:
        from dataclasses import asdict

        print_json([{**asdict(each), "health": each.health} for each in shown])
    else:
        Console().print(_table(shown, limits=plan is not None))
    for caution in seen.cautions:
        sys.stderr.write(f"soakd: {caution}\n")
    if json_:
        return
    if not of and not any(each.role == "cpu-temperature" for each in shown):
        sys.stderr.write("no processor temperature here: see `soakd doctor`\n")


@app.command("watch")
def watch(
    every_s: Annotated[float, typer.Option("--every", min=0.1, help="Seconds between two looks.")] = 1.0,
    count: Annotated[int, typer.Option("--count", min=0, help="How many looks; 0 goes on until Ctrl-C.")] = 0,
    of: Of = "",
    config: Config = None,
    json_: Json = False,
) -> None:
    """Show readings again and again, on a terminal in one place; with --json one object a line.

    Example: soakd sensors watch --of cpu-temperature --every 0.5
    """
    from soakd.clock import SystemClock, utc_text
    from soakd.service.readings import Watch

    clock = SystemClock()
    own = own_configuration(config)
    seen = Watch(clock, of=of, roles=own.roles, plugins=own.plugins)
    for caution in seen.cautions:
        sys.stderr.write(f"soakd: {caution}\n")
    number = 0
    try:
        seen.warm_up()
        with _screen(json_=json_) as show:
            while True:
                number += 1
                show(utc_text(clock.wall()), seen.look())
                if number == count:
                    return
                clock.sleep(every_s)
    except KeyboardInterrupt:
        return


class _screen:  # noqa: N801 - used as a verb: with _screen() as show
    """Where the looks of `watch` go: lines of JSON, a table in one place, or one table after another."""

    def __init__(self, *, json_: bool) -> None:
        from rich.console import Console
        from rich.live import Live

        self._console = Console()
        self._json = json_
        live = self._console.is_terminal and not json_
        self._live = Live(console=self._console, auto_refresh=False) if live else None

    def __enter__(self) -> Self:
        if self._live:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live:
            self._live.stop()

    def __call__(self, at: str, shown: list[Shown]) -> None:
        if self._json:
            readings = {each.name: each.value for each in shown}
            gaps = {each.name: each.gap for each in shown if each.gap is not None}
            line = json.dumps({"at": at, "readings": readings, "gaps": gaps}, ensure_ascii=False)
            sys.stdout.write(line + "\n")
            sys.stdout.flush()
        elif self._live:
            self._live.update(_table(shown, at), refresh=True)
        else:
            self._console.print(_table(shown, at))


def _table(shown: list[Shown], at: str = "", *, limits: bool = False) -> Group:
    """One row a channel, and under them what is missing and why. With `limits`, those of a plan for critical values."""
    from rich.console import Group
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    from soakd.service.readings import by_importance

    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="dim")
    for title in ("role", "channel"):
        table.add_column(title, overflow="fold")
    table.add_column("reading", justify="right", no_wrap=True)
    table.add_column("limit" if limits else "critical", justify="right", no_wrap=True)
    table.add_column("health", no_wrap=True)
    for each in by_importance(shown):
        bound = ", ".join(each.limits) if limits else each.critical_text
        health = Text(each.health, style="" if each.health == "good" else "bold")
        table.add_row(Text(each.role), Text(each.name), Text(each.text), Text(bound), health)
    gaps = [
        Padding(Text(f"{each.name}: {each.gap}"), (0, 0, 0, 2), expand=False) for each in shown if each.gap is not None
    ]
    return Group(*([Text(at, style="dim")] if at else []), table, *(["gaps:"] if gaps else []), *gaps)
