"""Stopping by hand: a page of its own that needs no script, no stream and no journal."""

from __future__ import annotations

from http import HTTPStatus
from typing import TYPE_CHECKING, Final
from urllib.parse import parse_qs

from starlette.routing import Route

from soakd.errors import SoakdError
from soakd.web.bodies import StopAsk
from soakd.web.pages.frame import show
from soakd.web.signing import STOP

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response


async def _stop(request: Request) -> Response:
    if request.method != "POST":
        may = request.state.caller.role == "operate"
        said = "" if may else f"{request.state.caller.name} may look, but not stop anything."
        return show(request, "stop.html", title="Stop", heading="Stop the load?", said=said, ask=may)
    form = parse_qs((await request.body()).decode("utf-8", "replace"))
    reason = form.get("reason", [""])[0].strip()[:500]
    try:
        answer = await request.app.state.desk.control.ask("stop", reason=StopAsk(reason=reason or None).reason)
    except SoakdError as error:
        said = f"{error.message}. {error.hint}".strip()
        told = {"heading": "Not stopped", "said": said, "ask": True}
        return show(request, "stop.html", title="Not stopped", status=int(HTTPStatus.SERVICE_UNAVAILABLE), **told)
    if answer.get("drill"):
        heading, said = "The drill is being broken off", "Its load goes at once; what it began is cleared away."
        return show(request, "stop.html", title=heading, heading=heading, said=said, ask=False)
    on = answer.get("run_id") is not None
    heading = "The load is being taken away" if on else "No soak was on"
    said = f"Run {answer['run_id']} is being stopped; its verdict follows." if on else "There was nothing to stop."
    return show(request, "stop.html", title=heading, heading=heading, said=said, ask=False)


STOPPING: Final = Route(STOP, _stop, methods=["GET", "POST"])
