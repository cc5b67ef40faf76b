"""`soakd drill`: prove every alarm on this machine."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from soakd.cli.client import Socket
from soakd.cli.options import Json, print_json

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from soakd.cli.client import Client
    from soakd.model.drill import DrillCall, DrillReport, DrillResult
    from soakd.service.drill.drills import Drill

_LOOK_EVERY_S = 0.3
Names = Annotated[list[str] | None, typer.Argument(help="Drills to do; all of them if none is named.")]
Listed = Annotated[bool, typer.Option("--list", help="Say what there is, and do nothing.")]


def drill(names: Names = None, list_: Listed = False, socket: Socket = None, json_: Json = False) -> None:
    """Do to short runs what may happen in a night, and show for each alarm who noticed it, and how soon.

    Loads all cores for a minute or two, and some memory; while a drill has made sensors, soakd does not see the real
    ones. Nothing enters the ledger. Refused while a run goes on. The daemon, where one is running, lends its bench.

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
    told = _silent if json_ else _say
    report = _by_daemon(wanted, socket, told) or perform(wanted, Home(), SystemClock(), told)
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


def _by_daemon(
    wanted: tuple[Drill, ...], socket: Path | None, told: Callable[[Drill | DrillResult], None]
) -> DrillReport | None:
    """The same, done by the daemon; None where none is running. Breaking it off here breaks it off there."""
    from soakd.cli.client import Client, default_socket
    from soakd.errors import UnreachableError
    from soakd.model.drill import DrillCall

    if not (socket or default_socket()).is_socket():
        return None
    with Client(socket) as client:
        try:
            call = client.post("/drill", {"names": [each.name for each in wanted]})
        except UnreachableError:
            if socket is not None:
                raise
            return None
        try:
            return _followed(client, DrillCall.model_validate_json(json.dumps(call)), wanted, told)
        except KeyboardInterrupt:
            client.post("/stop")
            raise


def _followed(
    client: Client, call: DrillCall, wanted: tuple[Drill, ...], told: Callable[[Drill | DrillResult], None]
) -> DrillReport:
    """To its end. Raises RefusedError where it ends before."""
    from soakd.clock import SystemClock
    from soakd.errors import RefusedError
    from soakd.model.drill import Drills

    clock, begun, done = SystemClock(), False, 0
    while True:
        seen = Drills.model_validate_json(json.dumps(client.get("/drill"))).call
        if seen is None or seen.begun_utc != call.begun_utc:
            raise RefusedError("the daemon knows nothing of these drills any more: it was started again")
        for result in seen.shown[done:]:
            if not begun:
                told(wanted[done])
            told(result)
            begun, done = False, done + 1
        if seen.doing is not None and not begun:
            told(wanted[done])
            begun = True
        if seen.report is not None:
            return seen.report
        if seen.trouble:
            raise RefusedError(f"the drills were not done to the end: {seen.trouble}")
        clock.sleep(_LOOK_EVERY_S)


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
