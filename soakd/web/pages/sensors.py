"""Sensors: every channel with its role, limit, health, present reading and last hour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse
from starlette.routing import Route

from soakd.report.drawn import HEIGHT
from soakd.report.sensors import sensors_view
from soakd.web.pages.frame import filled, show

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from soakd.report.sensors import ChannelNow
    from soakd.web.routes import Desk


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorsNow:
    """What is known of all channels."""

    channels: Sequence[ChannelNow]
    origin: str
    """Whose readings they are."""
    limits: str
    """Whose limits are shown."""
    cautions: Sequence[str]


class Sensing(Protocol):
    """Whoever reads this bench."""

    def look(self) -> SensorsNow:
        """Everything as it is now; may take a while. Raises SoakdError."""


def routes(sensing: Sensing) -> tuple[Route, ...]:
    def part(desk: Desk, of: str) -> str:
        now = sensing.look()
        view = sensors_view(now.channels, of)
        return filled(desk, "sensors-part.html", now=now, view=view, height=HEIGHT, of=of)

    async def sensors(request: Request) -> Response:
        of = request.query_params.get("of", "")
        text = await run_in_threadpool(part, request.app.state.desk, of)
        return show(request, "sensors.html", title="Sensors", part=text, of=of)

    async def only_part(request: Request) -> Response:
        return HTMLResponse(await run_in_threadpool(part, request.app.state.desk, ""))

    return (
        Route("/sensors", sensors, methods=["GET"]),
        Route("/sensors/part", only_part, methods=["GET"]),
    )
