"""`soakd doctor`: is this bench ready for an unattended night?"""

from __future__ import annotations

import typer

from soakd.cli.options import Config, Json, own_configuration, print_json

NARROW = 60
"""Columns below which a table would only break words."""


def doctor(config: Config = None, json_: Json = False) -> None:
    """Say whether this bench is ready for an unattended night; each finding with its remedy.

    Exit code: 0 when nothing is bad, 1 otherwise.

    Example: soakd doctor
    """
    from soakd.service.bench import require_linux

    require_linux()
    from dataclasses import asdict

    from soakd.clock import SystemClock
    from soakd.errors import EXIT_FAIL
    from soakd.report.ready import ready_text
    from soakd.service.doctor import examine
    from soakd.service.home import Home

    own = own_configuration(config)
    checks = examine(Home(), SystemClock(), own.roles, own.guard.watchdog, own.plugins)
    bad = any(check.state == "bad" for check in checks)
    if json_:
        print_json([asdict(check) for check in checks])
        raise typer.Exit(EXIT_FAIL if bad else 0)
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    styles = {"good": "green", "weak": "yellow", "bad": "bold red"}
    table = Table(box=None, padding=(0, 2, 0, 0), show_header=False)
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    console = Console()
    for check in checks if console.width >= NARROW else ():
        remedy = f"\n→ {check.remedy}" if check.remedy else ""
        table.add_row(Text(check.state, style=styles[check.state]), check.name, Text(check.text + remedy))
    if console.width >= NARROW:
        console.print(table)
    else:
        for check in checks:
            remedy = f" → {check.remedy}" if check.remedy else ""
            console.print(Text.assemble((check.state, styles[check.state]), f" {check.name}: {check.text}{remedy}"))
    console.print(f"\n{ready_text([check.state for check in checks])}")
    raise typer.Exit(EXIT_FAIL if bad else 0)
