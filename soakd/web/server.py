"""Runs the API until the daemon goes or says so: sockets, link and application together."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from datetime import UTC
from typing import TYPE_CHECKING

import uvicorn

from soakd.web.app import create_app
from soakd.web.bearer import TokenBook
from soakd.web.feed import Feed
from soakd.web.hub import Hub
from soakd.web.limits import Limits
from soakd.web.link import Link
from soakd.web.listen import listening
from soakd.web.pages.now import painter
from soakd.web.peers import Doorkeeper, group_id
from soakd.web.present import Present
from soakd.web.protocol import guarded
from soakd.web.reading import Shelf
from soakd.web.routes import Desk

if TYPE_CHECKING:
    import socket
    from collections.abc import Callable, Iterator, Sequence
    from datetime import tzinfo
    from pathlib import Path

    from starlette.routing import BaseRoute

    from soakd.clock import Clock
    from soakd.model.configuration import Api
    from soakd.web.gate import Gate

TOKENS_NAME = "tokens.json"
JOURNAL_NAME = "journal.db"


class _Server(uvicorn.Server):
    """Without signal handlers of its own: what a signal means is decided here."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def _config(app: Gate, limits: Limits) -> uvicorn.Config:
    return uvicorn.Config(
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


async def serve(
    channel: socket.socket,
    api: Api,
    home: Path,
    clock: Clock,
    *,
    zone: tzinfo = UTC,
    limits: Limits | None = None,
    extra_routes: Sequence[BaseRoute] = (),
    when_open: Callable[[Desk], None] = lambda _: None,
) -> None:
    """Raises SoakdError when it cannot listen. `channel`: the line to the daemon; `zone`: of the bench's wall clock;
    `when_open` is called with the desk before anybody can ask.
    """
    limits = limits or Limits()
    group = group_id(api.group)
    hub = Hub(limits, clock)
    link = Link(hub, limits)
    doorkeeper = Doorkeeper(group=group, tokens=TokenBook(home / TOKENS_NAME))
    journal = home / JOURNAL_NAME
    feed = Feed(hub, Present(journal, zone), clock)
    shelf = Shelf(journal)
    desk = Desk(control=link, hub=hub, shelf=shelf, doorkeeper=doorkeeper, feed=feed, zone=zone, home=home)
    hub.wake, feed.paint = feed.wake, painter(desk)
    when_open(desk)
    app = create_app(desk, hosts=api.hosts, limits=limits, clock=clock, extra_routes=extra_routes)
    server = _Server(_config(app, limits))

    def stop() -> None:
        server.should_exit = True
        hub.close_all()
        feed.close_all()

    with listening(api, home, group) as sockets:
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop)
        hearing = asyncio.create_task(link.run(channel))
        hearing.add_done_callback(lambda _: stop())
        feeding = asyncio.create_task(feed.run())
        await server.serve(sockets)
        feeding.cancel()
        if hearing.done():
            hearing.result()
        else:
            hearing.cancel()
