"""Rehearse: a stored plan on a virtual bench, drawn as it would probably run."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from http import HTTPStatus
from typing import TYPE_CHECKING, Annotated, Any, Final

from fastapi import APIRouter, Path, Request
from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from soakd.report.drawn import HEIGHT
from soakd.report.page import policy_of
from soakd.report.rehearsed_view import done_text, marks
from soakd.web import stored
from soakd.web.bodies import Nothing, read
from soakd.web.described import answers, taking
from soakd.web.pages.frame import show
from soakd.web.problems import ProblemError
from soakd.web.rehearsals import INVENTED, RehearsalAsk

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import tzinfo

    from starlette.routing import BaseRoute

    from soakd.report.rehearsed_view import RehearsedView
    from soakd.web.rehearsals import Rehearsing
    from soakd.web.routes import Desk
    from soakd.web.stored import Stored

RehearsalId = Annotated[str, Path(pattern=r"^[0-9a-f]{8}$", description="A rehearsal's identifier.")]
_FARTHEST: Final = timedelta(days=400)
_LIKELY: Final = ("own/overnight", "shipped/overnight")


def routes(rehearsing: Rehearsing) -> tuple[BaseRoute, ...]:
    pages = _Pages(rehearsing)
    return (
        *_api(rehearsing).routes,
        Route("/rehearse", pages.choose, methods=["GET"]),
        Route("/rehearse/{rehearsal_id}", pages.shown, methods=["GET"]),
        Route("/rehearse/{rehearsal_id}/report", pages.report, methods=["GET"]),
    )


def _api(rehearsing: Rehearsing) -> APIRouter:
    router = APIRouter(prefix="/api/v1")

    @router.post("/rehearsals", responses=answers("RehearsalState", 409, 422), openapi_extra=taking("RehearsalAsk"))
    async def rehearse(request: Request) -> Response:
        """Run a stored plan on a virtual bench; nothing is loaded, and nothing of it is evidence."""
        return _said(await rehearsing.begin(await read(request, RehearsalAsk)))

    @router.get("/rehearsals/{rehearsal_id}", responses=answers("RehearsalState", 404, 422))
    async def rehearsal(rehearsal_id: RehearsalId) -> Response:
        """How far it is, or what came of it, in words."""
        return _said(rehearsing.state(rehearsal_id))

    @router.post(
        "/rehearsals/{rehearsal_id}/give-up",
        responses=answers("RehearsalState", 404, 422),
        openapi_extra=taking("Nothing"),
    )
    async def give_up(request: Request, rehearsal_id: RehearsalId) -> Response:
        """End one that is on."""
        await read(request, Nothing)
        return _said(rehearsing.give_up(rehearsal_id))

    return router


def _said(state: Any) -> Response:
    return Response(state.model_dump_json(), media_type="application/json")


class _Pages:
    """Those for people."""

    def __init__(self, rehearsing: Rehearsing) -> None:
        self._rehearsing = rehearsing

    async def choose(self, request: Request) -> Response:
        """What can be rehearsed, and what has been."""
        desk: Desk = request.app.state.desk
        plans, sheets, benches = await run_in_threadpool(_lists, desk)
        query = request.query_params
        chosen = {
            "plan": query.get("plan") or _usual(plans, _LIKELY),
            "sheet": query.get("sheet") or "",
            "bench": query.get("bench") or INVENTED,
            "seed": query.get("seed") or "1",
        }
        values: dict[str, Any] = {
            "plans": plans,
            "sheets": sheets,
            "benches": benches,
            "chosen": chosen,
            "invented": INVENTED,
        }
        return show(request, "rehearse.html", title="Rehearse", lines=self._rehearsing.lines(), **values)

    async def shown(self, request: Request) -> Response:
        """One: how far it is, or how the plan would run."""
        desk: Desk = request.app.state.desk
        rehearsal_id = request.path_params["rehearsal_id"]
        line, view = self._rehearsing.line(rehearsal_id), self._rehearsing.view(rehearsal_id)
        begun, refused = _begun(request.query_params.get("at", ""), desk.zone)
        values: dict[str, Any] = {
            "line": line,
            "view": view,
            "height": HEIGHT,
            "at": "" if refused else request.query_params.get("at", ""),
            "refused": refused,
            "zone": f"{begun.astimezone(desk.zone):%Z}",
        }
        values |= await run_in_threadpool(_timed, view, begun, desk.zone) if view is not None else {}
        return show(request, "rehearsed.html", title="Rehearsal", **values)

    async def report(self, request: Request) -> Response:
        """The whole report, with the policy that it states itself."""
        text = self._rehearsing.report(request.path_params["rehearsal_id"])
        if text is None:
            raise ProblemError(HTTPStatus.NOT_FOUND, "usage", "there is no report: this rehearsal has no result")
        return HTMLResponse(text, headers={"Content-Security-Policy": policy_of(text)})


def _lists(desk: Desk) -> tuple[list[Stored], list[Stored], list[Stored]]:
    return stored.plans(desk.home), stored.sheets(desk.home), stored.benches(desk.home)


def _usual(plans: Sequence[Stored], wanted: Sequence[str]) -> str:
    keys = [plan.key for plan in plans if plan.problem is None]
    return next((key for key in wanted if key in keys), next(iter(keys), ""))


def _timed(view: RehearsedView, begun: datetime, zone: tzinfo) -> dict[str, Any]:
    return {
        "done": done_text(begun, view.ended_s, zone),
        "marks": marks(begun, view.ended_s, zone),
        "points": Markup(view.points),  # noqa: S704 - escaped where it is made
    }


def _begun(text: str, zone: tzinfo) -> tuple[datetime, str]:
    """A moment of the bench's wall clock, and why it is not taken; now where none is given."""
    now = datetime.now(UTC)
    if not text.strip():
        return now, ""
    try:
        local = datetime.fromisoformat(text.strip())
    except ValueError:
        return now, f"“{text}” is no date and time; write it like 2026-11-30T22:15."
    if local.tzinfo is None:
        there = local.replace(tzinfo=zone)
        if there.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != local:
            return now, f"{local:%Y-%m-%d %H:%M} does not exist here: the clocks are put forward then."
        local = there
    if abs(local - now) > _FARTHEST:
        return now, f"{local:%Y-%m-%d} is more than a year away."
    return local.astimezone(UTC), ""
