"""Two verdicts side by side, or why they are not compared."""

from __future__ import annotations

from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse
from starlette.routing import Route

from soakd.report.compare import GAINS, NO_SETTINGS, compared_view
from soakd.rules.compare import compare, why_not
from soakd.store.ledger import verdict_in
from soakd.web.pages.frame import show

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from soakd.web.routes import Desk

_LONGEST: Final = 64


async def _compare(request: Request) -> Response:
    """?a= and ?b=: two runs, by identifier, its beginning, or `last`; the older one is the old one."""
    a, b = (request.query_params.get(name, "").strip()[:_LONGEST] for name in ("a", "b"))
    if not a or not b:
        return RedirectResponse("/ledger", status_code=int(HTTPStatus.SEE_OTHER))
    values = await run_in_threadpool(_values, request.app.state.desk, a, b)
    return show(request, "compare.html", title="Compare", **values)


def _values(desk: Desk, a: str, b: str) -> dict[str, Any]:
    old, new = sorted((verdict_in(desk.shelf.verdict(each)) for each in (a, b)), key=lambda each: each.started_utc)
    refused = why_not(old, new)
    view = None if refused is not None else compared_view(old, new, compare(old, new))
    return {"old": old, "new": new, "refused": refused, "view": view, "gains": GAINS, "no_settings": NO_SETTINGS}


COMPARE: Final = Route("/compare", _compare, methods=["GET"])
