"""Signing in and out. Works without a script."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final
from urllib.parse import parse_qs

from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from soakd.web import signing
from soakd.web.pages.frame import show
from soakd.web.problems import ProblemError

if TYPE_CHECKING:
    from starlette.requests import Request


async def _sign_in(request: Request) -> Response:
    wanted = signing.local(request.query_params.get("next", "/"))
    if request.method != "POST":
        return show(request, "sign-in.html", title="Sign in", next=wanted, refused="")
    form = parse_qs((await request.body()).decode("utf-8", "replace"))
    token = form.get("token", [""])[0].strip()
    wanted = signing.local(form.get("next", ["/"])[0])
    try:
        request.app.state.desk.doorkeeper.caller({}, [f"Bearer {token}"])
    except ProblemError as problem:
        status = int(problem.status)
        return show(request, "sign-in.html", title="Sign in", status=status, next=wanted, refused=problem.message)
    answer = RedirectResponse(wanted, status_code=303)
    signing.keep(answer, token)
    return answer


async def _sign_out(_: Request) -> Response:
    answer = RedirectResponse(signing.SIGN_IN, status_code=303)
    signing.forget(answer)
    return answer


DOOR: Final = (
    Route(signing.SIGN_IN, _sign_in, methods=["GET", "POST"]),
    Route(signing.SIGN_OUT, _sign_out, methods=["POST"]),
)
