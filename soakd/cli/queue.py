"""`soakd queue`: what the daemon is to soak, and when."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from soakd.cli.client import Socket
from soakd.cli.options import Json, print_json

if TYPE_CHECKING:
    from soakd.cli.client import Client

app = typer.Typer(no_args_is_help=True, help="Queue plans for the daemon, and look after what is queued.")
EntryId = Annotated[str, typer.Argument(help="An entry's identifier, or the beginning of one.")]


@app.command("add")
def add(  # noqa: PLR0913, PLR0917 - each is an option of the command
    plan: Annotated[str, typer.Argument(help="A plan file, or the name of a shipped plan.")],
    sheet: Annotated[str | None, typer.Option(help="The settings under test: a file, or a shipped name.")] = None,
    at: Annotated[str | None, typer.Option(help='Once: "23:00" is the next one, or "2026-11-25 23:00".')] = None,
    cron: Annotated[str | None, typer.Option(help='Again and again, weekdays by name: "0 23 * * fri".')] = None,
    window: Annotated[str | None, typer.Option(help="In every opening of a daily window: 23:00-07:00.")] = None,
    at_end: Annotated[Literal["stop", "carry-on"], typer.Option(help="What a run does as the window closes.")] = "stop",
    at_boot: Annotated[bool, typer.Option("--at-boot", help="After the machine's next start.")] = False,
    settle: Annotated[str, typer.Option(help="With --at-boot: how long after the start.")] = "2 min",
    after: Annotated[str | None, typer.Option(help="After this entry has passed.")] = None,
    after_any: Annotated[bool, typer.Option("--after-any", help="With --after: whatever came of it.")] = False,
    zone: Annotated[str | None, typer.Option(help="IANA time zone of the times; the bench's own if not given.")] = None,
    priority: Annotated[int, typer.Option(min=-100, max=100, help="Higher goes first.")] = 0,
    count: Annotated[int | None, typer.Option(min=1, max=1000, help="How many runs.")] = None,
    series: Annotated[str | None, typer.Option(help="A name that several entries share.")] = None,
    stop_series: Annotated[
        bool, typer.Option("--stop-series", help="If this does not pass, the rest of its series is cancelled.")
    ] = False,
    socket: Socket = None,
    json_: Json = False,
) -> None:
    """Queue a plan: now, or when the options say. The daemon checks it against this bench at once.

    Plan and sheet are copied: a file edited later changes nothing that is queued.

    Example: soakd queue add overnight --sheet sheets/tonight.toml --window 23:00-07:00
    """
    words: dict[str, object] = {
        "at": at, "cron": cron, "window": window, "at_end": at_end, "at_boot": at_boot, "settle_s": settle,
        "after": after, "after_any": after_any, "zone": zone, "priority": priority, "count": count, "series": series,
        "stop_series": stop_series,
    }  # fmt: skip
    ask = _ask(plan, sheet, words)
    with _client(socket) as client:
        _say(client.post("/entries", ask), json_)


@app.command("list")
def list_(
    most: Annotated[int, typer.Option("--most", min=1, max=1000, help="How many at most.")] = 100,
    socket: Socket = None,
    json_: Json = False,
) -> None:
    """List entries: what runs, what waits in order of start, then what has ended.

    Example: soakd queue list --most 20
    """
    with _client(socket) as client:
        lines = client.get("/entries", most=most)["entries"]
    if json_:
        print_json(lines)
        return
    for line in lines:
        about = line["plan"] if line["sheet"] is None else f"{line['plan']} · {line['sheet']}"
        due = f"{line['due_utc'][:16]}Z" if line["due_utc"] else ""
        why = f"  {line['reason']}" if line["reason"] else ""
        order = f"{line['priority']:>4}/{line['place']:<4}"
        sys.stdout.write(f"{line['entry_id']}  {line['state']:<9}  {due:<17}  {order}  {about}{why}\n")


@app.command("show")
def show(entry_id: EntryId, socket: Socket = None, json_: Json = False) -> None:
    """Show one entry.

    Example: soakd queue show 3f2a
    """
    with _client(socket) as client:
        _say(client.get(f"/entries/{_quoted(entry_id)}"), json_)


@app.command("cancel")
def cancel(entry_id: EntryId, socket: Socket = None, json_: Json = False) -> None:
    """Give a waiting or held entry up. One that runs is ended by `soakd stop`.

    Example: soakd queue cancel 3f2a
    """
    with _client(socket) as client:
        _say(client.post(f"/entries/{_quoted(entry_id)}/cancel"), json_)


@app.command("hold")
def hold(entry_id: EntryId, socket: Socket = None, json_: Json = False) -> None:
    """Keep a waiting entry from starting.

    Example: soakd queue hold 3f2a
    """
    with _client(socket) as client:
        _say(client.post(f"/entries/{_quoted(entry_id)}/hold"), json_)


@app.command("release")
def release(entry_id: EntryId, socket: Socket = None, json_: Json = False) -> None:
    """Let a held entry start again.

    Example: soakd queue release 3f2a
    """
    with _client(socket) as client:
        _say(client.post(f"/entries/{_quoted(entry_id)}/release"), json_)


@app.command("move")
def move(
    entry_id: EntryId,
    place: Annotated[int | None, typer.Option(min=0, max=1_000_000_000, help="A smaller one goes first.")] = None,
    priority: Annotated[int | None, typer.Option(min=-100, max=100, help="Higher goes first.")] = None,
    socket: Socket = None,
    json_: Json = False,
) -> None:
    """Give an entry another place among those of one priority, or another priority.

    Example: soakd queue move 3f2a --place 1
    """
    if place is None and priority is None:
        from soakd.errors import UsageError

        raise UsageError("nothing to change", hint="give --place, --priority, or both")
    with _client(socket) as client:
        entry = client.get(f"/entries/{_quoted(entry_id)}")
        body = {
            "place": entry["place"] if place is None else place,
            "priority": entry["priority"] if priority is None else priority,
        }
        _say(client.post(f"/entries/{entry['entry_id']}/place", body), json_)


def _client(socket: Path | None) -> Client:
    from soakd.cli.client import Client

    return Client(socket)


def _quoted(entry_id: str) -> str:
    from urllib.parse import quote

    return quote(entry_id, safe="") or "-"


def _ask(plan: str, sheet: str | None, words: dict[str, object]) -> dict[str, Any]:
    """Plan and sheet as the files have them, checked here, where the files are."""
    from pydantic import ValidationError

    from soakd.config.files import load_plan, load_sheet
    from soakd.config.shipped import find
    from soakd.errors import UsageError
    from soakd.model.entry import EntryAsk

    files = {
        "plan": load_plan(find(plan, "plans")),
        "sheet": load_sheet(find(sheet, "sheets")) if sheet else None,
    }
    try:
        ask = EntryAsk.model_validate(files | words)
    except ValidationError as error:
        first = error.errors()[0]
        place = " ".join(f"--{str(part).removesuffix('_s').replace('_', '-')}" for part in first["loc"])
        text = first["msg"].removeprefix("Value error, ")
        raise UsageError(f"{place}: {text}" if place else text) from None
    return ask.model_dump(mode="json")


def _say(entry: dict[str, Any], json_: bool) -> None:
    if json_:
        print_json(entry)
        return
    from pydantic import TypeAdapter

    from soakd.model.entry import When
    from soakd.report.queued import when_text

    when: When = TypeAdapter(When).validate_python(entry["when"], strict=False)
    sheet = f" · {entry['sheet']['name']}" if entry["sheet"] else ""
    rows = [
        ("entry", entry["entry_id"]),
        ("state", entry["state"] + (f": {entry['reason']}" if entry["reason"] else "")),
        ("plan", entry["plan"]["name"] + sheet),
        ("when", when_text(when)),
        ("due", entry["due_utc"] or "hangs on an event"),
        ("place", f"{entry['place']}, priority {entry['priority']}"),
        ("runs", f"{entry['runs_done']} of {entry['count'] if entry['count'] is not None else 'many'}"),
    ]
    if entry["last_run"]:
        rows.append(("last run", entry["last_run"]))
    for name, value in rows:
        sys.stdout.write(f"{name:<9} {value}\n")
