"""The first page: the run that is on, or what the bench did last and does next; and what keeps every page alive."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from markupsafe import Markup
from starlette.routing import Route

from soakd.report.drawn import HEIGHT
from soakd.report.points_html import points_html
from soakd.web.pages.frame import filled, show
from soakd.web.stream import EventStream

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from starlette.requests import Request
    from starlette.responses import Response

    from soakd.store.ledger import LedgerLine
    from soakd.web.present import Present
    from soakd.web.routes import Desk
    from soakd.web.status import Status

PARTS: Final = ("outcome", "findings", "band", "strips", "grid", "cores", "rest")
_FIRST: Final = 6
"""Strips that are shown at once."""


def painter(desk: Desk) -> Callable[[Present, Status | None], Mapping[str, str]]:
    """What makes all parts of the page, and the words in the head of every page."""

    def paint(present: Present, status: Status | None) -> Mapping[str, str]:
        view = present.view()
        last = None if view is not None else next(iter(desk.shelf.verdicts(1)), None)
        values = _values(desk, status, last) | {"view": view}
        points = "" if view is None or view.points is None else points_html(view.points)
        values["points"] = Markup(points)  # noqa: S704 - escaped where it is made
        return {name: filled(desk, "now-parts.html", part=name, **values).strip() for name in ("beacon", *PARTS)}

    return paint


def _values(desk: Desk, status: Status | None, last: LedgerLine | None) -> dict[str, Any]:
    return {"status": status, "last": last, "height": HEIGHT, "first": _FIRST, "silent_s": desk.hub.silent_s()}


async def _now(request: Request) -> Response:
    desk: Desk = request.app.state.desk
    if not desk.feed.parts():
        await desk.feed.refresh()
    parts = {name: Markup(text) for name, text in desk.feed.parts().items()}  # noqa: S704 - escaped where it is made
    return show(request, "now.html", title="Now", parts=parts, names=PARTS)


async def _live(request: Request) -> Response:
    """Server-sent events, without end: `parts` with every part that has changed, and how old the newest reading is."""
    desk: Desk = request.app.state.desk
    caller = request.state.caller
    listener, first = desk.feed.open(caller, request.state.cut)
    return EventStream(desk.feed, listener, first, welcome=lambda: desk.doorkeeper.still_welcome(caller))


NOW: Final = Route("/", _now, methods=["GET"])
LIVE: Final = Route("/live", _live, methods=["GET"])
