"""`soakd verdict`: the ledger."""

from __future__ import annotations

import sys
from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer

from soakd.cli.options import Json, print_json

app = typer.Typer(no_args_is_help=True, help="Look at past verdicts.")
Which = Annotated[str, typer.Argument(help="A run's identifier, the beginning of one, or `last`.")]


@app.command("list")
def list_(
    most: Annotated[int, typer.Option("--most", min=1, help="How many, newest first.")] = 30,
    json_: Json = False,
) -> None:
    """List verdicts, newest first.

    Example: soakd verdict list --most 5
    """
    import shutil
    from dataclasses import asdict

    from soakd.service.home import Home
    from soakd.store.ledger import Ledger

    with closing(Ledger(Home().journal)) as ledger:
        lines = ledger.newest(most)
    if json_:
        print_json([asdict(line) for line in lines])
        return
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    for line in lines:
        outcome = f"{line.outcome}{' (drill)' if line.drill else ''}"
        about = line.plan if line.sheet is None else f"{line.plan} · {line.sheet}"
        why = f"  {line.reason}" if line.reason else ""
        shown = f"{line.run_id}  {line.finished_utc[:16]}Z  {outcome:<12}  {about}{why}"
        sys.stdout.write((shown if width is None or len(shown) <= width else f"{shown[: width - 1]}…") + "\n")


@app.command("show")
def show(
    which: Which = "last",
    points: Annotated[bool, typer.Option("--points", help="Every operating point in numbers, too.")] = False,
    json_: Json = False,
) -> None:
    """Show one verdict in full.

    Example: soakd verdict show last --points
    """
    body = _body(which)
    if json_:
        sys.stdout.write(body + "\n")
        return
    from rich.console import Console

    from soakd.model.verdict import Verdict
    from soakd.report.text import verdict_text

    Console().print(verdict_text(Verdict.model_validate_json(body, extra="ignore"), points=points))


@app.command("export")
def export(
    which: Which,
    out: Annotated[Path | None, typer.Option("--out", help="File to write; standard output if not given.")] = None,
    json_: Json = True,  # noqa: ARG001 - there is no other form, but every command takes the option
) -> None:
    """Write one verdict as JSON, as its published schema has it.

    Example: soakd verdict export last --out verdict.json
    """
    import json

    text = json.dumps(json.loads(_body(which)), ensure_ascii=False, indent=2) + "\n"
    if out is None:
        sys.stdout.write(text)
        return
    from soakd.errors import UsageError

    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{out}: {error.strerror}") from error


def _body(which: str) -> str:
    from soakd.service.home import Home
    from soakd.store.ledger import Ledger

    with closing(Ledger(Home().journal)) as ledger:
        return ledger.body(which)
