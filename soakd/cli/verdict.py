"""`soakd verdict`: the ledger."""

from __future__ import annotations

import sys
from contextlib import closing
from typing import TYPE_CHECKING, Annotated

import typer

from soakd.cli.options import Json, print_json, quantity

if TYPE_CHECKING:
    from soakd.store.ledger import LedgerLine

app = typer.Typer(no_args_is_help=True, help="Look at past verdicts.")
Which = Annotated[str, typer.Argument(help="A run's identifier, the beginning of one, or `last`.")]


@app.command("list")
def list_(
    most: Annotated[int, typer.Option("--most", min=1, help="How many, newest first.")] = 30,
    json_: Json = False,
) -> None:
    """List verdicts, newest first. Drills are marked, and so is what is not signed.

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
    outcomes = [_marked(line) for line in lines]
    room = max(map(len, outcomes), default=0)
    for line, outcome in zip(lines, outcomes, strict=True):
        about = line.plan if line.sheet is None else f"{line.plan} · {line.sheet}"
        why = f"  {line.reason}" if line.reason else ""
        shown = f"{line.run_id}  {line.finished_utc[:16]}Z  {outcome:<{room}}  {about}{why}"
        sys.stdout.write((shown if width is None or len(shown) <= width else f"{shown[: width - 1]}…") + "\n")


def _marked(line: LedgerLine) -> str:
    marks = [word for word, applies in (("drill", line.drill), ("unsigned", not line.signed)) if applies]
    return f"{line.outcome} ({', '.join(marks)})" if marks else line.outcome


@app.command("show")
def show(
    which: Which = "last",
    points: Annotated[bool, typer.Option("--points", help="Every operating point in numbers, too.")] = False,
    room: Annotated[str | None, typer.Option("--room", help='What would be left in another room: "31 °C".')] = None,
    leads: Annotated[
        bool, typer.Option("--leads", help="Only where to look next; with --json they are what it gives.")
    ] = False,
    json_: Json = False,
) -> None:
    """Show one verdict in full.

    Example: soakd verdict show last --points
    """
    body = _body(which)
    if leads:
        _show_leads(body, json_=json_)
        return
    if json_:
        sys.stdout.write(body + "\n")
        return
    from rich.console import Console

    from soakd import units
    from soakd.report.text import verdict_text
    from soakd.store.ledger import verdict_in

    room_c = None if room is None else quantity("--room", room, units.TEMPERATURE, -40.0, 60.0)
    Console().print(verdict_text(verdict_in(body), points=points, room_c=room_c))


def _show_leads(body: str, *, json_: bool) -> None:
    from rich.console import Console

    from soakd.report.leads import leads_json, leads_text
    from soakd.store.ledger import verdict_in

    verdict = verdict_in(body)
    if json_:
        print_json(leads_json(verdict))
    else:
        Console().print(leads_text(verdict))


@app.command("compare")
def compare(
    old: Annotated[
        str, typer.Argument(help="Stock, or an earlier trial: a run's identifier, or the beginning of one.")
    ],
    new: Which = "last",
    json_: Json = False,
) -> None:
    """Hold a verdict against an earlier one of the same bench: speed, energy, heat, settings, coverage.

    A stage is compared with one that does the same work: workload, class, cores, pattern, memory share. Give stages ten
    minutes: a gain of 2 % is found then.

    Example: soakd verdict compare 20261103-2201 last
    """
    from rich.console import Console

    from soakd.errors import UsageError
    from soakd.report.compare import compared_json, compared_text
    from soakd.rules.compare import compare as compared
    from soakd.rules.compare import why_not
    from soakd.store.ledger import verdict_in

    before, after = verdict_in(_body(old)), verdict_in(_body(new))
    why = why_not(before, after)
    if why is not None:
        raise UsageError(f"not comparable: {why}", hint="`soakd verdict list` shows what there is")
    found = compared(before, after)
    if json_:
        print_json(compared_json(before, after, found))
    else:
        Console().print(compared_text(before, after, found))


def _body(which: str) -> str:
    from soakd.service.home import Home
    from soakd.store.ledger import Ledger

    with closing(Ledger(Home().journal)) as ledger:
        return ledger.body(which)
