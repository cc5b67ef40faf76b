"""`soakd token`: who may use the API over TCP."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from soakd.cli.options import Json, print_json

if TYPE_CHECKING:
    from soakd.service.tokens import TokenFile

app = typer.Typer(no_args_is_help=True, help="Make, list and remove tokens for the API over TCP.")
Name = Annotated[str, typer.Argument(help="What to call it: up to 40 small letters, digits, dots, dashes.")]


@app.command("add")
def add(
    name: Name,
    role: Annotated[
        Literal["look", "operate"], typer.Option("--role", help="look: read only. operate: also queue and stop.")
    ] = "look",
    json_: Json = False,
) -> None:
    """Make a token. It is shown once, here; what is kept is only its hash. It is taken at once.

    Example: soakd token add dashboard --role look
    """
    secret = _file().add(name, role)
    if json_:
        print_json({"name": name, "role": role, "token": secret})
        return
    sys.stdout.write(f"{secret}\n")
    sys.stderr.write(f"This is the only time that the token {name} ({role}) is shown.\n")


@app.command("list")
def list_(json_: Json = False) -> None:
    """List tokens by name, never what they are.

    Example: soakd token list
    """
    tokens = _file().all()
    if json_:
        print_json([{"name": t.name, "role": t.role, "created_utc": t.created_utc} for t in tokens])
        return
    for token in tokens:
        sys.stdout.write(f"{token.name:<40}  {token.role:<7}  {token.created_utc[:16]}Z\n")


@app.command("remove")
def remove(name: Name, json_: Json = False) -> None:
    """Remove a token; its holder is refused from the next request on.

    Example: soakd token remove dashboard
    """
    _file().remove(name)
    if json_:
        print_json({"name": name, "removed": True})
        return
    sys.stdout.write(f"{name} is removed.\n")


def _file() -> TokenFile:
    from soakd.clock import SystemClock
    from soakd.service.home import Home
    from soakd.service.tokens import TokenFile

    return TokenFile(Home(), SystemClock())
