"""`soakd queue series`: one plan, many sheets."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from soakd.cli.client import Socket
from soakd.cli.options import Json, print_json

if TYPE_CHECKING:
    from soakd.cli.client import Client


def series(
    file: Annotated[Path, typer.Argument(help="A series file: one plan, its trials' sheets, and a hook if need be.")],
    socket: Socket = None,
    json_: Json = False,
) -> None:
    """Queue every trial of a series, in order. All files are read and checked first; all are queued, or none.

    Example: soakd queue series configs/series/curve.toml
    """
    import sys

    from soakd.cli.client import Client
    from soakd.config.series import load_series

    asks = [ask.model_dump(mode="json", exclude_none=True) for ask in load_series(file)]
    with Client(socket) as client:
        entries = add_all(client, asks)
    if json_:
        print_json(entries)
        return
    for entry in entries:
        sys.stdout.write(f"{entry['entry_id']}  {entry['sheet']['name']}\n")


def add_all(client: Client, asks: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """One after the other, each following the one before; if one is refused, those before it are taken back."""
    added: list[dict[str, Any]] = []
    try:
        for ask in asks:
            follows = {"after": added[-1]["entry_id"]} if added else {}
            added.append(client.post("/entries", {**ask, **follows}))
    except BaseException:
        for entry in reversed(added):
            client.post(f"/entries/{entry['entry_id']}/cancel")
        raise
    return added
