"""The pages that need more than the journal and the daemon's status, each with what the service lends it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.service.web_queue import QueueForesight
from soakd.service.web_start import Starting
from soakd.service.web_verdict import Verified
from soakd.web.pages import queue, start, verdict

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.routing import BaseRoute

    from soakd.clock import Clock
    from soakd.model.configuration import Configuration


def pages(home: Path, own: Configuration, clock: Clock) -> tuple[BaseRoute, ...]:
    """Their routes. `home`: the state folder; `own`: of the configuration what holds no secrets."""
    return (
        *queue.routes(QueueForesight(home, clock)),
        *verdict.routes(Verified(home, clock)),
        *start.routes(Starting(home, own, clock)),
    )
