"""Runs the API until the daemon goes or says so: sockets, link and application together."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from typing import TYPE_CHECKING

import uvicorn

from soakd.web.app import create_app
from soakd.web.bearer import TokenBook
from soakd.web.hub import Hub
from soakd.web.limits import Limits
from soakd.web.link import Link
from soakd.web.listen import listening
from soakd.web.peers import Doorkeeper, group_id
from soakd.web.protocol import guarded
from soakd.web.reading import Shelf
from soakd.web.routes import Desk

if TYPE_CHECKING:
    import socket
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from starlette.routing import BaseRoute

    from soakd.clock import Clock
    from soakd.model.configuration import Api

TOKENS_NAME = "tokens.json"
JOURNAL_NAME = "journal.db"


class _Server(uvicorn.Server):
    """Without signal handlers of its own: what a signal means is decided here."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


async def serve(
    channel: socket.socket,
    api: Api,
    home: Path,
    clock: Clock,
    *,
    limits: Limits | None = None,
    extra_routes: Sequence[BaseRoute] = (),
) -> None:
    """Raises SoakdError when it cannot listen. `channel` is the line to the daemon."""
    limits = limits or Limits()
    group = group_id(api.group)
    hub = Hub(limits, clock)
    link = Link(hub, limits)
    doorkeeper = Doorkeeper(group=group, tokens=TokenBook(home / TOKENS_NAME))
    desk = Desk(control=link, hub=hub, shelf=Shelf(home / JOURNAL_NAME), doorkeeper=doorkeeper)
    app = create_app(desk, hosts=api.hosts, limits=limits, clock=clock, extra_routes=extra_routes)
    config = uvicorn.Config(
        app,
        http=guarded(limits),
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=15,
        timeout_graceful_shutdown=1,
        h11_max_incomplete_event_size=limits.header_bytes,
    )
    server = _Server(config)

    def stop() -> None:
        server.should_exit = True
        hub.close_all()

    with listening(api, home, group) as sockets:
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop)
        hearing = asyncio.create_task(link.run(channel))
        hearing.add_done_callback(lambda _: stop())
        await server.serve(sockets)
        if hearing.done():
            hearing.result()
        else:
            hearing.cancel()
