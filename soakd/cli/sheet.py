"""`soakd sheet`: the settings as you declare them."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soakd.cli.options import Config, Json, own_configuration, print_json, quantity, write_new

if TYPE_CHECKING:
    from soakd.model.sheet import Sheet
    from soakd.rules.sheet_finding import SheetFinding

app = typer.Typer(no_args_is_help=True, help="Declare settings, check them, and compare two trials.")
Which = Annotated[str, typer.Argument(help="A sheet file, or the name of a shipped sheet.")]


@app.command("draft")
def draft(
    file: Annotated[
        Path | None, typer.Argument(help="File to write; it must not be there. Standard output if not given.")
    ] = None,
    config: Config = None,
    json_: Json = False,
) -> None:
    """Write a sheet for this bench: what the system shows is filled in, every other key is explained.

    Example: soakd sheet draft mine.toml
    """
    from soakd.clock import SystemClock
    from soakd.config.sheet_form import filled, shown_by
    from soakd.sensors.snapshot import take_snapshot
    from soakd.service.planning import channels_of

    channels = channels_of(own_configuration(config), SystemClock())
    shown = shown_by(take_snapshot(), channels)
    text = filled(shown)
    if file is not None:
        write_new(file, text)
    if json_:
        print_json({"file": None if file is None else str(file), "filled": shown, "text": text})
    elif file is None:
        sys.stdout.write(text)
    else:
        sys.stdout.write(f"{file}: filled in from this bench: {', '.join(shown) or 'nothing'}\n")
        sys.stdout.write("Declare the rest that you have set; what stays commented out is not claimed.\n")


@app.command("check")
def check(
    sheet: Which,
    elsewhere: Annotated[
        bool, typer.Option("--elsewhere", help="The sheet is for another bench: do not hold it against this one.")
    ] = False,
    config: Config = None,
    json_: Json = False,
) -> None:
    """Find what does not fit in a sheet: in itself, and on this bench; each with the rule that it breaks.

    Exit code: 0 when a run may start with it, 78 when not. A warning refuses nothing; no warning promises no safety.

    Example: soakd sheet check mine.toml
    """
    from dataclasses import asdict

    from soakd.errors import EXIT_CONFIG
    from soakd.rules.sheet_finding import refusals

    declared = _load(sheet)
    found = _found(declared, config, elsewhere=elsewhere)
    if json_:
        print_json({"sheet": declared.name, "findings": [asdict(finding) for finding in found]})
    else:
        _say(declared, found)
    raise typer.Exit(EXIT_CONFIG if refusals(found) else 0)


@app.command("expect")
def expect(
    sheet: Which,
    current: Annotated[
        str | None, typer.Option("--current", help='Current for the load line, such as "150 A".')
    ] = None,
    temperature: Annotated[
        str | None, typer.Option("--temperature", help='At this temperature alone, such as "85 °C".')
    ] = None,
    json_: Json = False,
) -> None:
    """Show the clock and the voltage that a sheet makes you expect, for all cores, widths, active cores and steps down.

    Example: soakd sheet expect lantern --current "150 A"
    """
    from soakd import units
    from soakd.report.expect import Expected, expected_json, expected_text

    expected = Expected(
        _load(sheet),
        current_a=None if current is None else quantity("--current", current, units.CURRENT, 0.0, 2000.0),
        temperature_c=None
        if temperature is None
        else quantity("--temperature", temperature, units.TEMPERATURE, -60.0, 150.0),
    )
    if json_:
        print_json(expected_json(expected))
        return
    from rich.console import Console

    console = Console(highlight=False)
    console.print(expected_text(expected, console.width))


@app.command("diff")
def diff(old: Which, new: Which, json_: Json = False) -> None:
    """Show what differs between two sheets, field by field. Notes and parents are no settings and do not count.

    Exit code: 0 when they declare the same, 1 when not.

    Example: soakd sheet diff lantern-trial-3 lantern
    """
    from dataclasses import asdict

    from soakd.errors import EXIT_FAIL
    from soakd.rules.sheet_diff import differences

    found = differences(_load(old), _load(new))
    if json_:
        print_json([asdict(each) for each in found])
    else:
        for each in found:
            sys.stdout.write(each.line + "\n")
        if not found:
            sys.stdout.write("both declare the same\n")
    raise typer.Exit(EXIT_FAIL if found else 0)


def _load(which: str) -> Sheet:
    from soakd.config.files import load_sheet
    from soakd.config.shipped import find

    return load_sheet(find(which, "sheets"))


def _found(sheet: Sheet, config: Path | None, *, elsewhere: bool) -> list[SheetFinding]:
    from soakd.rules.sheet_check import check as findings

    if elsewhere:
        return findings(sheet)
    from soakd.clock import SystemClock
    from soakd.sensors.snapshot import take_snapshot
    from soakd.service.planning import channels_of

    channels = channels_of(own_configuration(config), SystemClock())
    return findings(sheet, take_snapshot(), channels={channel.name for channel in channels})


def _say(sheet: Sheet, found: list[SheetFinding]) -> None:
    from soakd.rules.sheet_fields import fields, said
    from soakd.rules.sheet_finding import refusals

    declared = fields(sheet)
    for finding in found:
        value = f" = {said(declared[finding.place])}" if finding.place in declared else ""
        sys.stdout.write(f"{finding.weight}  {finding.place}{value}\n    {finding.text}  [{finding.rule}]\n")
    count = len(refusals(found))
    sys.stdout.write(
        f"{sheet.name}: {count} refused, {len(found) - count} warned. Whether a value is safe is not judged here.\n"
    )
