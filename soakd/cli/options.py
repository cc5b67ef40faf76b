"""Options that every command shares."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from soakd.model.configuration import Configuration
    from soakd.units import Dimension

Json = Annotated[bool, typer.Option("--json", help="Write JSON for machines.")]
Config = Annotated[
    Path | None, typer.Option("--config", help="The configuration; soakd.toml in the state folder if not given.")
]


def own_configuration(config: Path | None) -> Configuration:
    """How soakd lives on this bench. Raises ConfigError."""
    from soakd.config.files import configuration_for
    from soakd.service.home import Home

    return configuration_for(config, Home().folder)


def print_json(document: Any) -> None:
    """One document on standard output."""
    sys.stdout.write(json.dumps(document, ensure_ascii=False, indent=2) + "\n")


def quantity(option: str, text: str, dimension: Dimension, low: float, high: float) -> float:
    """What was written for an option, in the base unit. Raises UsageError, with what would be right."""
    from soakd import units
    from soakd.errors import UsageError

    try:
        value = units.parse(text, dimension)
    except ValueError as error:
        raise UsageError(f"{option} {text}: {error}") from None
    if not low <= value <= high:
        least, most = units.show(low, dimension), units.show(high, dimension)
        raise UsageError(f"{option} {text}: must lie between {least} and {most}")
    return value


def write_new(file: Path, text: str) -> None:
    """A file that is not there yet. Raises UsageError: what is there may have been written by hand."""
    from soakd.errors import UsageError

    try:
        with file.open("x", encoding="utf-8") as new:
            new.write(text)
    except FileExistsError:
        raise UsageError(f"{file} is there already", hint="give a name that is free; nothing is overwritten") from None
    except OSError as error:
        raise UsageError(f"{file}: {error.strerror}") from error


def refuse_existing(file: Path, *, force: bool) -> None:
    """For commands that can replace a file. Raises UsageError for one that is there and may not be replaced."""
    from soakd.errors import UsageError

    if file.exists() and not force:
        raise UsageError(f"{file} is there already", hint="give another name, or --force")


def write_whole(file: Path, body: str | bytes) -> None:
    """In place of whatever is there. Raises UsageError where it cannot be written."""
    from soakd.errors import UsageError

    try:
        file.write_bytes(body if isinstance(body, bytes) else body.encode())
    except OSError as error:
        raise UsageError(f"{file}: {error.strerror}") from error
