"""`soakd drill`: prove every alarm on this machine."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from soakd.cli.options import Json, print_json

if TYPE_CHECKING:
    from soakd.model.drill import DrillResult
    from soakd.service.drill.drills import Drill

Names = Annotated[list[str] | None, typer.Argument(help="Drills to do; all of them if none is named.")]
Listed = Annotated[bool, typer.Option("--list", help="Say what there is, and do nothing.")]


def drill(names: Names = None, list_: Listed = False, json_: Json = False) -> None:
    """Do to short runs what may happen in a night, and show for each alarm who noticed it, and how soon.

    Loads all cores for a minute or two, and some memory; while a drill has made sensors, soakd does not see the real
    ones. Nothing enters the ledger. Refused while a run goes on.

    Exit code: 0 every alarm noticed, 1 one did not, 10 some could not be shown on this machine.

    Example: soakd drill guard-stopped over-temperature
    """
    from soakd.service.bench import require_linux

    require_linux()
    from soakd.clock import SystemClock
    from soakd.errors import EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
    from soakd.service.drill.perform import chosen, perform
    from soakd.service.home import Home

    wanted = chosen(names or [])
    if list_:
        _list(wanted, as_json=json_)
        return
    report = perform(wanted, Home(), SystemClock(), _silent if json_ else _say)
    if json_:
        print_json(report.model_dump(mode="json"))
    else:
        from rich.console import Console

        from soakd.report.drill import drill_text

        console = Console(highlight=False)
        for part in drill_text(report, console.width):
            console.print(part)
    if report.of("missed"):
        raise typer.Exit(EXIT_FAIL)
    raise typer.Exit(EXIT_INCONCLUSIVE if report.of("not shown") else EXIT_PASS)


def _list(wanted: tuple[Drill, ...], *, as_json: bool) -> None:
    lines = [
        {"name": each.name, "injected": each.injected, "expected": each.expected, "reality": each.reality}
        for each in wanted
    ]
    if as_json:
        print_json(lines)
        return
    for line in lines:
        sys.stdout.write(f"{line['name']}: {line['injected']} → {line['expected']} ({line['reality']})\n")


def _silent(_: Drill | DrillResult) -> None:
    """The document says it all."""


def _say(news: Drill | DrillResult) -> None:
    """On standard error, so that somebody who waits sees how far it is."""
    from soakd.model.drill import DrillResult

    sys.stderr.write(f"{news.state}\n" if isinstance(news, DrillResult) else f"{news.name}: {news.injected} … ")
    sys.stderr.flush()
