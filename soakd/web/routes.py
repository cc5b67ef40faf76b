"""/api/v1: reads come from the journal and the last status, verbs go to the daemon."""

from __future__ import annotations

import json
from contextlib import closing
from dataclasses import asdict, dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, Header, Path, Query, Request, Response
from starlette.concurrency import run_in_threadpool
from starlette.responses import StreamingResponse

from soakd.model.drill import Drills
from soakd.model.entry import EntryAsk
from soakd.store.readings import Readings
from soakd.web.bodies import DrillAsk, Nothing, Place, StopAsk, read
from soakd.web.described import answers, taking
from soakd.web.drilled import whole_round
from soakd.web.problems import ProblemError
from soakd.web.stream import EventStream

if TYPE_CHECKING:
    from datetime import tzinfo
    from pathlib import Path as FilePath

    from soakd.ports import Control
    from soakd.web.feed import Feed
    from soakd.web.hub import Hub
    from soakd.web.peers import Doorkeeper
    from soakd.web.reading import Shelf

EntryId = Annotated[
    str, Path(pattern=r"^[0-9A-Za-z_-]{1,64}$", description="An entry's identifier, or the beginning of one.")
]
RunId = Annotated[
    str, Path(pattern=r"^[0-9A-Za-z_-]{1,64}$", description="A run's identifier, the beginning of one, or `last`.")
]
Most = Annotated[int, Query(ge=1, le=1000, description="How many at most.")]
LastEventId = Annotated[
    int | None,
    Header(alias="Last-Event-ID", ge=0, le=2**53, description="The number of the last event that was seen."),
]

router = APIRouter(prefix="/api/v1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What the routes work with."""

    control: Control
    hub: Hub
    shelf: Shelf
    doorkeeper: Doorkeeper
    feed: Feed
    zone: tzinfo
    """Of the clock on the bench's wall."""
    home: FilePath
    """The state folder."""


def desk(request: Request) -> Desk:
    found: Desk = request.app.state.desk
    return found


def _json(text: str, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    return Response(text, status_code=status, headers=headers, media_type="application/json")


def _document(document: Any, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    return _json(json.dumps(document, ensure_ascii=False), status, headers)


async def asked(request: Request) -> EntryAsk:
    """The body of a request that may name a hook."""
    ask = await read(request, EntryAsk)
    if ask.hook is not None and not request.state.caller.owner:
        raise ProblemError(
            HTTPStatus.FORBIDDEN,
            "permission",
            "a hook is a program that the daemon runs; only root and the daemon's own user may name one",
            hint="ask on the Unix socket as that user, or leave the hook out",
        )
    return ask


@router.get("/status", responses=answers("Status", 503))
async def status(request: Request) -> Response:
    """The daemon, the run that is on, and what starts next."""
    return _json(desk(request).hub.status().model_dump_json())


@router.get("/entries", responses=answers("EntryLines", 422, 503))
def entries(request: Request, most: Most = 100) -> Response:
    """The queue: what runs, what waits in order of start, then what has ended."""
    return _document({"entries": [asdict(line) for line in desk(request).shelf.entries(most)]})


@router.post("/entries", responses=answers("Entry", 422, 503, created=True), openapi_extra=taking("EntryAsk"))
async def add(request: Request) -> Response:
    """Queue a plan. It is checked against this bench now, and copied: a file edited later changes nothing."""
    ask = await asked(request)
    entry = await desk(request).control.ask("add", **ask.model_dump(mode="json"))
    return _document(entry, 201, {"Location": f"/api/v1/entries/{entry['entry_id']}"})


@router.post("/entries/check", responses=answers("Checked", 422, 503), openapi_extra=taking("EntryAsk"))
async def check(request: Request) -> Response:
    """What a request would become, or why it would be refused: the same checks as for queueing, and nothing is kept."""
    ask = await asked(request)
    return _document(await desk(request).control.ask("check", **ask.model_dump(mode="json")))


@router.get("/entries/{entry_id}", responses=answers("Entry", 404, 422, 503))
def entry(request: Request, entry_id: EntryId) -> Response:
    """One entry with its plan and sheet."""
    return _json(desk(request).shelf.entry(entry_id).model_dump_json())


async def _move(request: Request, entry_id: str, verb: str, **arguments: object) -> Response:
    """What names nothing is told apart here; what cannot be done where the entry stands, by the daemon."""
    found = await run_in_threadpool(desk(request).shelf.entry, entry_id)
    return _document(await desk(request).control.ask(verb, entry_id=found.entry_id, **arguments))


@router.post(
    "/entries/{entry_id}/hold", responses=answers("Entry", 404, 409, 422, 503), openapi_extra=taking("Nothing")
)
async def hold(request: Request, entry_id: EntryId) -> Response:
    """Keep a waiting entry from starting until it is released."""
    await read(request, Nothing)
    return await _move(request, entry_id, "hold")


@router.post(
    "/entries/{entry_id}/release", responses=answers("Entry", 404, 409, 422, 503), openapi_extra=taking("Nothing")
)
async def release(request: Request, entry_id: EntryId) -> Response:
    """Let a held entry start again."""
    await read(request, Nothing)
    return await _move(request, entry_id, "release")


@router.post(
    "/entries/{entry_id}/cancel", responses=answers("Entry", 404, 409, 422, 503), openapi_extra=taking("Nothing")
)
async def cancel(request: Request, entry_id: EntryId) -> Response:
    """Give a waiting or held entry up for good. One that runs is ended by stopping the run."""
    await read(request, Nothing)
    return await _move(request, entry_id, "cancel")


@router.post("/entries/{entry_id}/place", responses=answers("Entry", 404, 409, 422, 503), openapi_extra=taking("Place"))
async def place(request: Request, entry_id: EntryId) -> Response:
    """Give a waiting or held entry another place and priority."""
    wanted = await read(request, Place)
    return await _move(request, entry_id, "reorder", place=wanted.place, priority=wanted.priority)


@router.post("/stop", responses=answers("Stopping", 422, 503), openapi_extra=taking("StopAsk"))
async def stop(request: Request) -> Response:
    """Take the load of the run that is on away; its verdict follows. Drills are broken off."""
    ask = await read(request, StopAsk)
    return _document(await desk(request).control.ask("stop", reason=ask.reason))


@router.get("/drill", responses=answers("Drills", 422, 503))
def drills(request: Request) -> Response:
    """The drills that are being done or were done last, and the report of the last whole round."""
    return _json(Drills(call=desk(request).hub.drill, whole=whole_round(desk(request).home)).model_dump_json())


@router.post("/drill", responses=answers("DrillCall", 409, 422, 503), openapi_extra=taking("DrillAsk"))
async def drill(request: Request) -> Response:
    """Prove alarms: all of them, or those that are named. Loads all cores; nothing else starts until it has ended."""
    ask = await read(request, DrillAsk)
    return _document(await desk(request).control.ask("drill", names=list(ask.names)))


@router.get("/verdicts", responses=answers("VerdictLines", 422, 503))
def verdicts(request: Request, most: Most = 30) -> Response:
    """The ledger, newest first."""
    return _document({"verdicts": [asdict(line) for line in desk(request).shelf.verdicts(most)]})


@router.get("/verdicts/{run_id}", responses=answers("Verdict", 404, 422, 503))
def verdict(request: Request, run_id: RunId) -> Response:
    """One verdict in full, as its published schema has it."""
    return _json(desk(request).shelf.verdict(run_id))


@router.get("/verdicts/{run_id}/envelope", responses=answers("Envelope", 404, 422, 503))
def envelope(request: Request, run_id: RunId) -> Response:
    """One verdict as it was signed; keep the bytes as they are. 404, too, for one that is unsigned."""
    return _json(desk(request).shelf.envelope(run_id))


@router.get("/verdicts/{run_id}/readings", responses=answers("readings", 404, 422, 503))
def readings(request: Request, run_id: RunId) -> Response:
    """Every reading of the run as CSV (RFC 4180): a row for each tick, a column for each channel with its unit."""
    from soakd.report.readings import csv_parts  # noqa: PLC0415 - brings numpy, which nothing else here needs

    shelf = desk(request).shelf
    found = shelf.run_id(run_id)
    with closing(Readings(shelf.path)) as journal:
        record = journal.record(found)
        columns = journal.columns(record)
    headers = {"Content-Disposition": f'attachment; filename="soakd-{found}.csv"'}
    return StreamingResponse(csv_parts(columns, record.started_utc), media_type="text/csv", headers=headers)


@router.get("/events", responses=answers("events", 422))
async def events(request: Request, last_event_id: LastEventId = None) -> Response:
    """Server-sent events, without end: `status` at every change and once a second, `event` for what happens in a run.

    The identifier of an `event` is its number; send the last one as Last-Event-ID to be given what came since. `gap`
    says that some of that is not here any more: the journal has it.
    """
    here = desk(request)
    caller = request.state.caller
    listener, first = here.hub.open(caller, last_event_id, request.state.cut)
    return EventStream(here.hub, listener, first, welcome=lambda: here.doorkeeper.still_welcome(caller))
