"""`soakd run`: one run in the foreground."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from soakd.cli.options import Json

if TYPE_CHECKING:
    from rich.console import Console
    from rich.live import Live

    from soakd.model.journal import Event
    from soakd.model.run import RunRecord
    from soakd.model.verdict import Verdict
    from soakd.report.live import Progress

PLAIN_EVERY_S = 10.0


def run(
    plan: Annotated[
        str, typer.Argument(help="A plan file, or the name of a shipped plan: three-minutes, evening, overnight.")
    ],
    sheet: Annotated[
        str | None, typer.Option("--sheet", help="The settings under test: a file, or a shipped name.")
    ] = None,
    json_: Json = False,
) -> None:
    """Soak this bench by a plan, watch it, and end in a verdict. Ctrl-C stops the load safely.

    Exit code: 0 pass, 1 fail, 10 inconclusive, 78 refused before anything started.

    Example: soakd run three-minutes --sheet sheets/tonight.toml
    """
    from soakd.service.bench import require_linux

    require_linux()
    from rich.console import Console

    from soakd.clock import SystemClock
    from soakd.errors import EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
    from soakd.report.text import verdict_text
    from soakd.service.foreground import Request, run_once
    from soakd.service.home import Home

    told = Teller(Console(stderr=True), quiet=json_)
    try:
        judged = run_once(Request(plan=plan, sheet=sheet), Home(), SystemClock(), told)
    finally:
        told.close()
    if json_:
        sys.stdout.write(judged.verdict.model_dump_json(indent=2) + "\n")
    else:
        Console().print(verdict_text(judged.verdict))
    if judged.unkept:
        sys.stderr.write(f"soakd: this verdict could not be kept in the ledger: {judged.unkept}\n")
    codes = {"pass": EXIT_PASS, "fail": EXIT_FAIL, "inconclusive": EXIT_INCONCLUSIVE}
    raise typer.Exit(codes[judged.verdict.outcome])


class Teller:
    """Live view on a terminal, now and then a line elsewhere; everything on standard error."""

    def __init__(self, console: Console, *, quiet: bool) -> None:
        self._console = console
        self._quiet = quiet
        self._progress: Progress | None = None
        self._live: Live | None = None
        self._last_line_s = -PLAIN_EVERY_S

    def orphan(self, verdict: Verdict) -> None:
        reason = verdict.reasons[0].text if verdict.reasons else ""
        self._say(f"An earlier run ({verdict.run_id}) had never ended; judged now: {verdict.outcome}: {reason}")

    def starting(self, record: RunRecord) -> None:
        from soakd.report.live import Progress

        self._progress = Progress(record)
        self._say(f"{record.plan.name}: run {record.run_id} on cores {', '.join(map(str, record.cores))}")
        for bound in record.bounds:
            self._say(f"  stops {bound.side} {bound.value:g} {bound.unit} on {bound.channel} ({bound.origin})")
        for caution in record.cautions:
            self._say(f"  CAUTION: {caution}")
        if self._console.is_terminal and not self._quiet:
            from rich.live import Live

            self._live = Live(console=self._console, auto_refresh=False, transient=True)
            self._live.start()

    def event(self, event: Event) -> None:
        from soakd.report.live import picture, plain_line

        if self._progress is None or self._quiet:
            return
        self._progress.take(event)
        if self._live is not None:
            self._live.update(picture(self._progress), refresh=True)
        elif event.kind == "found" or event.at_s - self._last_line_s >= PLAIN_EVERY_S:
            self._last_line_s = event.at_s
            self._say(plain_line(self._progress))

    def close(self) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def _say(self, line: str) -> None:
        if not self._quiet:
            self._console.print(line, highlight=False, markup=False, soft_wrap=True)
