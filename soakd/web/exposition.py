"""/metrics: what the daemon measured last, in the OpenMetrics text format."""

from __future__ import annotations

from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.responses import Response
from starlette.routing import Route

from soakd.web import problems
from soakd.web.problems import ProblemError

if TYPE_CHECKING:
    from starlette.requests import Request

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"


async def _metrics(request: Request) -> Response:
    text = request.app.state.desk.hub.metrics
    if text is None:
        return problems.response(
            ProblemError(HTTPStatus.SERVICE_UNAVAILABLE, "unreachable", "the daemon has not said anything yet")
        )
    return Response(text, media_type=CONTENT_TYPE)


METRICS = Route("/metrics", _metrics, methods=["GET"])
