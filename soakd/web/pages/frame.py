"""What every page stands in: its head, the way to the others, the stop, and what is told while it is open."""

from __future__ import annotations

import re
from datetime import datetime
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

from markupsafe import Markup
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from soakd import units
from soakd.report.assets import asset as report_asset
from soakd.report.assets import templates, ticked
from soakd.report.text import CAUTION

if TYPE_CHECKING:
    from datetime import tzinfo

    from jinja2 import Environment
    from starlette.requests import Request

    from soakd.web.problems import ProblemError
    from soakd.web.routes import Desk

NAV: Final = (
    ("/", "Now"),
    ("/queue", "Queue"),
    ("/ledger", "Ledger"),
    ("/settings", "Settings"),
    ("/sensors", "Sensors"),
    ("/rehearse", "Rehearse"),
    ("/help", "Help"),
)
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS: Final = {
    "Content-Security-Policy": POLICY,
    "Referrer-Policy": "same-origin",
}
"""Without a referrer a browser does not say either from which page a form comes (Fetch standard, `Origin` header)."""
_UTC: Final = re.compile(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?Z)", re.ASCII)
_KINDS: Final = {"css": "text/css; charset=utf-8", "js": "text/javascript; charset=utf-8"}
_FROM_REPORT: Final = {
    "report.css": "report.css",
    "uplot.css": "uplot/uPlot.min.css",
    "uplot.js": "uplot/uPlot.iife.min.js",
}


@cache
def asset(name: str) -> str:
    """Text of an asset. Raises FileNotFoundError."""
    if name in _FROM_REPORT:
        return report_asset(_FROM_REPORT[name])
    return files("soakd.web.assets").joinpath(name).read_text(encoding="utf-8")


def address(name: str) -> str:
    """Where a browser finds an asset; another text of it has another address, so that it may keep this one."""
    return f"/static/{name}?v={sha256(asset(name).encode()).hexdigest()[:12]}"


@cache
def environment() -> Environment:
    found = templates(asset)
    found.globals.update(address=address, nav=NAV, caution=CAUTION)
    found.filters.update(duration=units.duration_text, count=units.count_text)
    return found


def moment(utc: str, zone: tzinfo) -> Markup:
    """A moment as the clock on the bench's wall shows it, with its zone; the element holds it in UTC."""
    at = datetime.fromisoformat(utc)
    here = at.astimezone(zone)
    text = f"{here:%Y-%m-%d %H:%M:%S} {here:%Z}"
    return Markup('<time datetime="{}">{}</time>').format(f"{at:%Y-%m-%dT%H:%M:%SZ}", text)


def filled(desk: Desk, template: str, **values: Any) -> str:
    """A template, or a part of one, with `moment` telling moments in the bench's time zone."""
    return environment().get_template(template).render(moment=lambda utc: moment(utc, desk.zone), **values)


def show(request: Request, template: str, *, title: str, status: int = 200, **values: Any) -> HTMLResponse:
    """A whole page. `template` extends frame.html; `may_operate` says whether the caller may change anything."""
    desk: Desk = request.app.state.desk
    caller = getattr(request.state, "caller", None)
    text = filled(
        desk,
        template,
        title=title,
        place="/" + request.url.path.split("/")[1],
        caller=caller,
        may_operate=caller is not None and caller.role == "operate",
        beacon=Markup(desk.feed.part("beacon")) if caller is not None else "",  # noqa: S704 - escaped where it is made
        **values,
    )
    return HTMLResponse(text, status_code=status, headers=HEADERS)


def refusal(request: Request, problem: ProblemError) -> HTMLResponse:
    """A problem as a person is shown it."""
    return show(request, "problem.html", title=problem.status.phrase, status=int(problem.status), problem=problem)


async def _static(request: Request) -> Response:
    name = request.path_params["name"]
    kind = _KINDS.get(name.rpartition(".")[2])
    try:
        text = asset(name) if kind and "/" not in name else None
    except FileNotFoundError:
        text = None
    if text is None:
        return Response(status_code=404)
    keep = "max-age=31536000, immutable" if request.query_params.get("v") else "no-cache"
    return Response(text, media_type=kind, headers={"Cache-Control": keep})


def timed(text: str, zone: tzinfo) -> Markup:
    """What `ticked` makes of a text, with moments in UTC told as `moment` tells them."""
    parts = _UTC.split(text)
    return Markup("").join(moment(part, zone) if number % 2 else ticked(part) for number, part in enumerate(parts))


STATIC: Final = Route("/static/{name}", _static, methods=["GET"])
