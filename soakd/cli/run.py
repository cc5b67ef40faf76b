"""`soakd run`: one run in the foreground."""

from __future__ import annotations

import os
import signal
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from soakd.cli.options import Config, Json, own_configuration

if TYPE_CHECKING:
    from soakd.service.session import Judged


def run(
    plan: Annotated[
        str, typer.Argument(help="A plan file, or the name of a shipped plan: three-minutes, evening, overnight.")
    ],
    sheet: Annotated[
        str | None, typer.Option("--sheet", help="The settings under test: a file, or a shipped name.")
    ] = None,
    config: Config = None,
    json_: Json = False,
) -> None:
    """Soak this bench by a plan, watch it, and end in a verdict. Ctrl-C stops the load safely.

    Exit code: 0 pass, 1 fail, 10 inconclusive, 78 refused before anything started, 74 verdict not kept.

    Example: soakd run three-minutes --sheet sheets/tonight.toml
    """
    from soakd.service.bench import require_linux

    require_linux()
    from soakd.cli.teller import Teller
    from soakd.clock import SystemClock
    from soakd.errors import EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS, EXIT_STORE
    from soakd.service.foreground import Request, run_once
    from soakd.service.home import Home

    own = own_configuration(config)
    request = Request(
        plan=plan,
        sheet=sheet,
        roles=own.roles,
        plugins=own.plugins,
        watchdog=own.guard.watchdog,
        when_still_heating=own.guard.when_still_heating,
    )
    told = Teller(quiet=json_)
    try:
        judged = run_once(request, Home(), SystemClock(), told)
    finally:
        told.close()
    for number in (signal.SIGINT, signal.SIGTSTP):
        signal.signal(number, signal.SIG_IGN)  # the load is gone: nothing is left to be stopped
    codes = {"pass": EXIT_PASS, "fail": EXIT_FAIL, "inconclusive": EXIT_INCONCLUSIVE}
    code = EXIT_STORE if judged.unkept else codes[judged.verdict.outcome]
    _show(judged, as_json=json_)
    raise typer.Exit(code)


def _show(judged: Judged, *, as_json: bool) -> None:
    """Whatever becomes of the output, the exit code stays the verdict's."""
    from rich.console import Console

    from soakd.report.text import verdict_text

    try:
        if judged.unkept:
            sys.stderr.write(f"soakd: this verdict could not be kept in the ledger: {judged.unkept}\n")
        sys.stdout.reconfigure(errors="replace")  # type: ignore[union-attr]
        if as_json:
            sys.stdout.write(judged.verdict.model_dump_json(indent=2) + "\n")
        else:
            Console().print(verdict_text(judged.verdict))
        sys.stdout.flush()
    except (OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        for stream in (1, 2):  # or the interpreter's last flush would change the code
            os.dup2(nowhere, stream)
