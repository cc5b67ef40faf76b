"""Puts the application together: routes behind the gate, every refusal as problem details."""

from __future__ import annotations

import logging
from functools import cache
from http import HTTPStatus
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException

from soakd.errors import SoakdError
from soakd.web import problems
from soakd.web.described import describe
from soakd.web.gate import Gate
from soakd.web.pages import PAGES
from soakd.web.pages.frame import refusal
from soakd.web.problems import ProblemError
from soakd.web.routes import router

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

    from soakd.clock import Clock
    from soakd.web.limits import Limits
    from soakd.web.routes import Desk

_LOG = logging.getLogger(__name__)


def create_app(
    desk: Desk, *, hosts: Sequence[str], limits: Limits, clock: Clock, extra_routes: Sequence[BaseRoute] = ()
) -> Gate:
    """`extra_routes` stand beside /api/v1, behind the same gate; they find the desk in `request.app.state.desk`."""
    app = FastAPI(
        title="soakd",
        version=version("soakd"),
        description="Queue, run, verdicts and events of one bench.",
        openapi_url="/api/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
    )
    app.state.desk = desk
    app.include_router(router)
    app.routes.extend((*PAGES, *extra_routes))
    app.openapi = cache(lambda: describe(app))  # type: ignore[method-assign] # as the framework's manual has it
    handlers: dict[type[Exception], Any] = {
        ProblemError: _problem,
        SoakdError: _soakd_error,
        RequestValidationError: _off,
        HTTPException: _http,
        Exception: _bug,
    }
    for kind, handler in handlers.items():
        app.add_exception_handler(kind, handler)
    return Gate(app, doorkeeper=desk.doorkeeper, hosts=hosts, limits=limits, clock=clock)


def _told(request: Request, problem: ProblemError) -> Response:
    """As a page where a person asked for one, else as a document."""
    if request.method == "GET" and "text/html" in request.headers.get("accept", "") and not _is_api(request):
        return refusal(request, problem)
    return problems.response(problem)


def _is_api(request: Request) -> bool:
    return request.url.path.startswith(("/api/", "/metrics"))


async def _problem(request: Request, error: ProblemError) -> Response:
    return _told(request, error)


async def _soakd_error(request: Request, error: SoakdError) -> Response:
    return _told(request, problems.of_error(error))


async def _off(_: Request, error: RequestValidationError) -> Response:
    return problems.response(problems.of_validation(error))


async def _http(request: Request, error: HTTPException) -> Response:
    """What the framework itself refuses: no such path, no such method."""
    status = HTTPStatus(error.status_code)
    headers = dict(error.headers or {})
    nothing = status is HTTPStatus.NOT_FOUND
    detail = f"there is nothing at {request.url.path}" if nothing else str(error.detail)
    return _told(request, ProblemError(status, "usage", detail, headers=headers))


async def _bug(request: Request, error: Exception) -> Response:
    _LOG.error("%s %s: a bug", request.method, request.url.path, exc_info=error)
    return problems.response(
        ProblemError(HTTPStatus.INTERNAL_SERVER_ERROR, "bug", "this is a bug in soakd; its log says more")
    )
