"""One open stream of server-sent events as an answer: ends when the caller, the server or a removed token ends it."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Protocol

from starlette.responses import Response

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.types import Receive, Scope, Send

    from soakd.web.hub import Listener

KEEP_ALIVE_S = 15.0
_FIRST = b"retry: 2000\n\n"
_STILL_HERE = b": nothing new\n\n"


class Source(Protocol):
    """Where a listener was opened."""

    def close(self, listener: Listener) -> None: ...


class EventStream(Response):
    """Takes over a listener that the hub or the feed has opened, and closes it in the end."""

    media_type = "text/event-stream"

    def __init__(self, source: Source, listener: Listener, first: bytes, *, welcome: Callable[[], bool]) -> None:
        super().__init__(media_type=self.media_type)
        del self.headers["content-length"]
        self._source = source
        self._listener = listener
        self._first = first
        self._welcome = welcome

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:  # noqa: ARG002 - the shape of ASGI
        watch = asyncio.create_task(_hung_up(receive, self._listener))
        try:
            await send({"type": "http.response.start", "status": 200, "headers": self.raw_headers})
            await send({"type": "http.response.body", "body": _FIRST + self._first, "more_body": True})
            while not self._listener.ended and self._welcome():
                text = await self._listener.take(KEEP_ALIVE_S)
                if not self._listener.ended:
                    await send({"type": "http.response.body", "body": text or _STILL_HERE, "more_body": True})
            await send({"type": "http.response.body", "body": b"", "more_body": False})
        finally:
            self._source.close(self._listener)
            watch.cancel()


async def _hung_up(receive: Receive, listener: Listener) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
    listener.end()
