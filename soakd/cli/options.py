"""Options that every command shares."""

from __future__ import annotations

import json
import sys
from typing import Annotated, Any

import typer

Json = Annotated[bool, typer.Option("--json", help="Write JSON for machines.")]


def print_json(document: Any) -> None:
    """One document on standard output."""
    sys.stdout.write(json.dumps(document, ensure_ascii=False, indent=2) + "\n")
