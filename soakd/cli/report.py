"""`soakd verdict report` and `card`: one verdict as one HTML file that opens anywhere, and as a small picture."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from soakd.cli.options import Config, Json, own_configuration, print_json, refuse_existing, write_whole

Which = Annotated[str, typer.Argument(help="A run's identifier, the beginning of one, or `last`.")]


def report(
    which: Which = "last",
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="File to write; soakd-RUN.html here if not given.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it is there already.")] = False,
    config: Config = None,
    json_: Json = False,
) -> None:
    """Write one verdict as a page to read, print or hand on: one file, no network, no other file.

    It shows what `soakd verdict show` tells, and the course of the run: what was left until each limit, and what every
    channel read. It names who signed the verdict and proves nothing itself: `soakd verdict verify` does.

    Example: soakd verdict report last -o night.html
    """
    from soakd.service.home import Home
    from soakd.service.reporting import report_of

    run_id, text = report_of(Home(), which, own_configuration(config).zone)
    _hand_over(run_id, out or Path(f"soakd-{run_id}.html"), text, force=force, as_json=json_)


def card(
    which: Which = "last",
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="File to write, .svg or .png; soakd-RUN.svg here if not given.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it is there already.")] = False,
    json_: Json = False,
) -> None:
    """Write one verdict as a small picture for a label or a post: outcome, nearest limit, coverage, what it shows.

    Example: soakd verdict card last -o lantern.png
    """
    from soakd.errors import UsageError
    from soakd.report.raster import png
    from soakd.service.home import Home
    from soakd.service.reporting import card_of

    suffix = ".svg" if out is None else out.suffix.lower()
    if suffix not in {".svg", ".png"}:
        raise UsageError(f"{out}: the name has to end in .svg or .png")
    run_id, text = card_of(Home(), which)
    body = png(text) if suffix == ".png" else text
    _hand_over(run_id, out or Path(f"soakd-{run_id}.svg"), body, force=force, as_json=json_)


def _hand_over(run_id: str, file: Path, body: str | bytes, *, force: bool, as_json: bool) -> None:
    refuse_existing(file, force=force)
    write_whole(file, body)
    if as_json:
        print_json({"run": run_id, "file": str(file), "bytes": file.stat().st_size})
    else:
        sys.stdout.write(f"{file}\n")
