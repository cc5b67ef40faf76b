"""`soakd watch` and `soakd stop`: the daemon's run, live, and its safe end."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from soakd.cli.client import Socket
from soakd.cli.options import Json, print_json

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.live import Live

    from soakd.cli.client import Client, Told

PLAIN_EVERY_S = 10.0
COME_BACK_S = 20.0
"""How long a daemon that is being started anew is waited for."""
_END_S = 20.0
_LOOK_EVERY_S = 0.2
_ENDS = {
    "ended": "has ended",
    "cooling": "has stopped and its load is gone; the bench is watched until it has cooled, then comes the verdict",
    "asked": "has been told to stop, but has not ended yet",
}


def watch(
    once: Annotated[bool, typer.Option("--once", help="Show the present state and leave.")] = False,
    socket: Socket = None,
    json_: Json = False,
) -> None:
    """Watch what the daemon does, live, until Ctrl-C. Watching changes nothing.

    Example: soakd watch --once
    """
    from rich.console import Console

    from soakd.cli.client import Client

    with Client(socket) as client:
        if once:
            _show_once(client.get("/status"), json_=json_)
            return
        viewer = Viewer(Console(), as_json=json_)
        try:
            _follow(client, viewer)
        except KeyboardInterrupt:
            return
        finally:
            viewer.close()


def _show_once(status: dict[str, Any], *, json_: bool) -> None:
    from rich.console import Console

    if json_:
        print_json(status)
    else:
        Console().print(picture(status))


def stop(
    reason: Annotated[str | None, typer.Option("--reason", help="Goes into the verdict.")] = None,
    socket: Socket = None,
    json_: Json = False,
) -> None:
    """Stop the daemon's run safely, and wait until its load is gone. What waits in the queue then goes on as planned.

    Exit code: 0 also when no run was on; 1 when the load was not known to be gone in time.

    Example: soakd stop --reason "fan noise"
    """
    from soakd.cli.client import Client
    from soakd.errors import EXIT_FAIL

    with Client(socket) as client:
        answer = client.post("/stop", {"reason": reason})
        run_id = answer["run_id"]
        state = "ended" if run_id is None else _end_of(client, run_id)
    if json_:
        print_json({"run_id": run_id, "ended": state == "ended", "load_gone": state != "asked"})
    elif answer.get("drill"):
        sys.stdout.write("The drill is being broken off.\n")
    elif run_id is None:
        sys.stdout.write("No run is on.\n")
    else:
        sys.stdout.write(f"Run {run_id} {_ENDS[state]}.\n")
    if state == "asked":
        raise typer.Exit(EXIT_FAIL)


def _end_of(client: Client, run_id: str) -> Literal["ended", "cooling", "asked"]:
    """How far it has come after a while."""
    from soakd.clock import SystemClock

    clock = SystemClock()
    deadline_s = clock.monotonic() + _END_S
    while clock.monotonic() < deadline_s:
        run = client.get("/status")["run"]
        if run is None or run["run_id"] != run_id:
            return "ended"
        if run["cooling"] is not None:
            return "cooling"
        clock.sleep(_LOOK_EVERY_S)
    return "asked"


def _follow(client: Client, viewer: Viewer) -> None:
    """Every event in order; a stream that breaks off is taken up again where it was."""
    from soakd.clock import SystemClock
    from soakd.errors import UnreachableError

    clock = SystemClock()
    last: str | None = None
    heard_s: float | None = None
    while True:
        try:
            with client.events(last) as stream:
                for told in stream:
                    heard_s = clock.monotonic()
                    last = told.number or last
                    viewer.show(told, heard_s)
        except UnreachableError:
            if heard_s is None or clock.monotonic() - heard_s > COME_BACK_S:
                raise
        clock.sleep(1.0)


class Viewer:
    """A live picture on a terminal, now and then a line elsewhere, or every event as JSON."""

    def __init__(self, console: Console, *, as_json: bool) -> None:
        self._console = console
        self._json = as_json
        self._live: Live | None = None
        self._last_line_s = -PLAIN_EVERY_S
        self._last_news: tuple[Any, ...] = ()

    def show(self, told: Told, now_s: float) -> None:
        if self._json:
            line = {"kind": told.kind, "id": told.number, "data": told.data}
            sys.stdout.write(json.dumps(line, ensure_ascii=False) + "\n")
            sys.stdout.flush()
        elif told.kind == "status":
            self._show_status(told.data, now_s)

    def close(self) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def _show_status(self, status: dict[str, Any], now_s: float) -> None:
        if self._console.is_terminal:
            if self._live is None:
                from rich.live import Live

                self._live = Live(console=self._console, auto_refresh=False, transient=True)
                self._live.start()
            self._live.update(picture(status), refresh=True)
            return
        news = _news(status)
        if news != self._last_news or (status["run"] and now_s - self._last_line_s >= PLAIN_EVERY_S):
            self._last_line_s, self._last_news = now_s, news
            self._console.print(f"{status['now_utc'][:19]}Z  {plain_line(status)}", highlight=False, soft_wrap=True)


def _news(status: dict[str, Any]) -> tuple[Any, ...]:
    """What is worth a line at once: another run or stage, a finding, another queue."""
    run = status["run"] or {}
    return (
        run.get("run_id"),
        run.get("stage"),
        run.get("mismatches"),
        tuple(run.get("findings", ())),
        _drill_line(status),
        tuple(status["queue"].items()),
        (status["next"] or {}).get("entry_id"),
    )


def picture(status: dict[str, Any]) -> RenderableType:
    """The same three things at a glance as in a run of one's own: still good, how much is proven, when done."""
    from rich.table import Table
    from rich.text import Text

    from soakd import units

    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim", no_wrap=True)
    table.add_column(overflow="fold")
    run = status["run"]
    if run is None:
        table.add_row("run", _drill_line(status) or "none is on")
    else:
        wrong = run["mismatches"]
        table.add_row("run", Text(_about(run)))
        table.add_row("stage", Text(_stage_line(run)))
        table.add_row("remaining", units.duration_text(run["remaining_s"]))
        table.add_row("margin", Text(_margin_line(run)))
        table.add_row("proven", f"{run['rounds']} rounds checked")
        table.add_row("wrong results", Text(str(wrong), style="bold red" if wrong else ""))
        for finding in run["findings"][-3:]:
            table.add_row("found", Text(finding, style="red"))
    table.add_row("queue", _queue_line(status))
    return table


def plain_line(status: dict[str, Any]) -> str:
    """All of it in one line, for a log."""
    from soakd import units

    run = status["run"]
    if run is None:
        return f"{_drill_line(status) or 'no run is on'} · {_queue_line(status)}"
    found = f" · {run['findings'][-1]}" if run["findings"] else ""
    return (
        f"{_about(run)} · {_stage_line(run)} · {units.duration_text(run['remaining_s'])} left · {_margin_line(run)} · "
        f"{run['rounds']} rounds · {run['mismatches']} wrong{found}"
    )


def _drill_line(status: dict[str, Any]) -> str:
    """Empty while none is on."""
    drill = status.get("drill")
    if drill is None:
        return ""
    missed = f", {drill['missed']} missed" if drill["missed"] else ""
    return f"a drill is on: {drill['done']} of {drill['of']} alarms tried{missed}"


def _about(run: dict[str, Any]) -> str:
    sheet = f" · {run['sheet']}" if run["sheet"] else ""
    return f"{run['plan']}{sheet} ({run['run_id']})"


def _stage_line(run: dict[str, Any]) -> str:
    if run["cooling"] is not None:
        from soakd.report.live import cooling_text

        return f"stopped, the load is gone; the bench cools: {cooling_text(run['cooling'])}"
    return f"{run['stage']} of {run['stages']}: {run['stage_name']}" if run["stage"] else "between stages"


def _margin_line(run: dict[str, Any]) -> str:
    from soakd import units

    near = run["nearest"]
    if near is None:
        return "no reading of anything that is limited"
    left = units.reading_text(near["margin"], units.left_unit(near["unit"]))
    seen = units.reading_text(near["reading"], near["unit"])
    return f"{left} left: {near['channel']} at {seen}, {near['limit']}"


def _queue_line(status: dict[str, Any]) -> str:
    queue, following = status["queue"], status["next"]
    line = f"{queue['waiting']} waiting, {queue['held']} held"
    if following is None:
        return line
    due = f" at {following['due_utc'][:16]}Z" if following["due_utc"] else ""
    return f"{line}; next: {following['plan']} ({following['entry_id']}){due}"
