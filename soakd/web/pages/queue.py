"""The queue: what runs next and when, the coming night, and a form that is checked while it is filled in."""

from __future__ import annotations

import json
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Final, Protocol

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, JSONResponse
from starlette.routing import Route

from soakd.errors import SoakdError
from soakd.model.base import Value
from soakd.model.entry import Checked, EntryState
from soakd.report.asked import asked_lines
from soakd.report.queued import QueueView, busy_until, queue_view
from soakd.rules.ahead import moved
from soakd.web import stored
from soakd.web.bodies import read
from soakd.web.pages.frame import filled, show
from soakd.web.problems import ProblemError
from soakd.web.wishes import TOML, Wish, ask_of

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from starlette.requests import Request
    from starlette.responses import Response

    from soakd.model.entry import Entry, EntryAsk
    from soakd.rules.ahead import Ahead
    from soakd.store.ledger import LedgerLine
    from soakd.web.routes import Desk
    from soakd.web.stored import Stored

MOST: Final = 200
"""Entries that are shown."""
_ENDED: Final = 20
_EARLIER: Final = 15
"""Runs, and entries, whose plan and sheet can be taken again."""

Choice = tuple[str, str]
"""Key and label."""


class QueueHelp(Protocol):
    """What only the service knows."""

    home: Path
    ahead: Ahead

    def now(self) -> datetime: ...


class Beside(Value):
    """Where to put an entry: right before that one, or right after it."""

    entry_id: str
    after: bool


def routes(helper: QueueHelp) -> tuple[Route, ...]:
    """The page, the part of it that is renewed, and what its buttons ask for beyond the API."""
    page = _Queue(helper)
    return (
        Route("/queue", page.whole, methods=["GET"]),
        Route("/queue/list", page.part, methods=["GET"]),
        Route("/queue/check", page.check, methods=["POST"]),
        Route("/queue/add", page.add, methods=["POST"]),
        Route("/queue/{entry_id}/beside", page.beside, methods=["POST"]),
    )


class _Queue:
    def __init__(self, helper: QueueHelp) -> None:
        self._helper = helper

    async def whole(self, request: Request) -> Response:
        desk: Desk = request.app.state.desk
        part = await run_in_threadpool(self._part, request)
        choices = await run_in_threadpool(self._choices, desk)
        chosen = {name: request.query_params.get(name, "") for name in ("plan", "sheet")}
        return show(request, "queue.html", title="Queue", part=Markup(part), chosen=chosen, **choices)  # noqa: S704 - escaped where it is made

    async def part(self, request: Request) -> Response:
        return HTMLResponse(await run_in_threadpool(self._part, request))

    async def check(self, request: Request) -> Response:
        """Asks the daemon what it would do with the form as it stands, and keeps nothing. A refusal is an answer."""
        desk: Desk = request.app.state.desk
        try:
            ask = await self._ask(request)
            told = await desk.control.ask("check", **ask.model_dump(mode="json"))
        except (SoakdError, ProblemError) as refused:
            return JSONResponse({"refused": refused.message, "hint": refused.hint})
        checked = Checked.model_validate_json(json.dumps(told))
        return JSONResponse(await run_in_threadpool(self._told, desk, ask, checked))

    async def add(self, request: Request) -> Response:
        desk: Desk = request.app.state.desk
        ask = await self._ask(request)
        entry = await desk.control.ask("add", **ask.model_dump(mode="json"))
        return JSONResponse(entry, status_code=HTTPStatus.CREATED)

    async def beside(self, request: Request) -> Response:
        """Puts an entry before or after another, with as many steps as that takes."""
        desk: Desk = request.app.state.desk
        wanted = await read(request, Beside)
        entries = await run_in_threadpool(desk.shelf.to_come, MOST)
        ranked = [entry for entry in entries if entry.state is not EntryState.RUNNING]
        try:
            steps = moved(ranked, request.path_params["entry_id"], wanted.entry_id, after=wanted.after)
        except LookupError:
            text = "one of the two does not wait any more"
            raise ProblemError(HTTPStatus.CONFLICT, "state", text, hint="look at the list again") from None
        for entry_id, place, priority in steps:
            await desk.control.ask("reorder", entry_id=entry_id, place=place, priority=priority)
        return JSONResponse({"moved": len(steps)})

    async def _ask(self, request: Request) -> EntryAsk:
        wish = await read(request, Wish)
        return await run_in_threadpool(ask_of, wish, self._helper.home, request.app.state.desk.shelf)

    def _view(self, desk: Desk, entries: list[Entry], now: datetime) -> QueueView:
        return queue_view(entries, now, desk.zone, self._helper.ahead, busy_until=_busy_until(desk, now))

    def _part(self, request: Request) -> str:
        desk: Desk = request.app.state.desk
        now = self._helper.now()
        view = self._view(desk, desk.shelf.to_come(MOST), now)
        ended = desk.shelf.ended(_ENDED)
        may = request.state.caller.role == "operate"
        return filled(desk, "queue-part.html", view=view, ended=ended, may_operate=may, most=MOST)

    def _told(self, desk: Desk, ask: EntryAsk, checked: Checked) -> dict[str, Any]:
        now = self._helper.now()
        entries, until = desk.shelf.to_come(MOST), _busy_until(desk, now)
        lines = asked_lines(ask, checked, entries, now, desk.zone, self._helper.ahead, busy_until=until)
        return {"lines": list(lines), "cautions": list(checked.cautions)}

    def _choices(self, desk: Desk) -> dict[str, Any]:
        home = self._helper.home
        plans, sheets = stored.plans(home), stored.sheets(home)
        entries = desk.shelf.to_come(MOST)
        runs = desk.shelf.verdicts(_EARLIER)
        return {
            "plans": {
                **_stored(plans),
                "as in an earlier run": [(f"run/{line.run_id}", _of_run(line.plan, line)) for line in runs],
                "as in an entry": [(f"entry/{entry.entry_id}", _of_entry(entry.plan.name, entry)) for entry in entries],
            },
            "sheets": {
                **_stored(sheets),
                "as in an earlier run": [
                    (f"run/{line.run_id}", _of_run(line.sheet, line)) for line in runs if line.sheet
                ],
                "as in an entry": [
                    (f"entry/{entry.entry_id}", _of_entry(entry.sheet.name, entry)) for entry in entries if entry.sheet
                ],
            },
            "unusable": [each for each in (*plans, *sheets) if each.problem],
            "toml": TOML,
            "entries": [(entry.entry_id, _of_entry(entry.plan.name, entry)) for entry in entries if entry.count],
            "folder": str(home),
        }


def _stored(files: list[Stored]) -> dict[str, list[Choice]]:
    usable = [each for each in files if each.problem is None]
    return {
        heading: [(each.key, f"{each.name} ({each.path.name})") for each in usable if each.origin == origin]
        for origin, heading in stored.ORIGINS.items()
    }


def _of_run(name: str | None, line: LedgerLine) -> str:
    return f"{name}, {line.outcome} of {line.finished_utc[:10]}, run {line.run_id[:8]}"


def _of_entry(name: str, entry: Entry) -> str:
    return f"{name}, {entry.state}, entry {entry.entry_id[:8]}"


def _busy_until(desk: Desk, now: datetime) -> datetime | None:
    """When the run that is on will be over, as far as the daemon has said."""
    status = desk.hub.latest
    if status is None or status.run is None:
        return None
    run = status.run
    return busy_until(now, run.remaining_s, run.stages - (run.stage or 0))
