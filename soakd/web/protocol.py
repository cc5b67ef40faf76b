"""The line to one caller: who is at the other end, and for how long it may keep us waiting."""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING, Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from soakd.web.peers import credentials

if TYPE_CHECKING:
    import asyncio

    from soakd.web.limits import Limits


class GuardedProtocol(H11Protocol):
    """HTTP/1.1 with the kernel's word on a Unix socket's peer, and a cut line for whoever is too slow or too many."""

    limits: Limits
    family: socket.AddressFamily | None = None
    _awaited: asyncio.TimerHandle | None = None
    _awaited_part = ""
    _unread: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as in the base class
        super().connection_made(transport)
        channel = transport.get_extra_info("socket")
        self.family = channel.family
        own: dict[str, Any] = {"cut": transport.abort}
        if self.family is socket.AF_UNIX:
            own["credentials"] = credentials(channel)
        self.app_state = {**self.app_state, **own}
        same = sum(getattr(other, "family", None) is self.family for other in self.connections)
        most = self.limits.unix_connections if self.family is socket.AF_UNIX else self.limits.tcp_connections
        if same > most:
            transport.abort()
            return
        self._await()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._await()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._await()

    def connection_lost(self, exc: Exception | None) -> None:
        super().connection_lost(exc)
        for timer in (self._awaited, self._unread, self.timeout_keep_alive_task):
            if timer is not None:
                timer.cancel()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._unread = self.loop.call_later(self.limits.unread_s, self.transport.abort)

    def resume_writing(self) -> None:
        super().resume_writing()
        if self._unread is not None:
            self._unread.cancel()
            self._unread = None

    def timeout_keep_alive_handler(self) -> None:
        """A line that is idle is closed; one whose caller has not read its answer is cut."""
        if self.transport.get_write_buffer_size() > 0:
            self.transport.abort()
        else:
            super().timeout_keep_alive_handler()

    def _await(self) -> None:
        """Set the clock anew whenever another part of a request is what we wait for."""
        part = self._part()
        if part == self._awaited_part:
            return
        if self._awaited is not None:
            self._awaited.cancel()
            self._awaited = None
        self._awaited_part = part
        patience = {"headers": self.limits.header_s, "body": self.limits.discard_s}
        if part in patience and not self.transport.is_closing():
            self._awaited = self.loop.call_later(patience[part], self.transport.abort)

    def _part(self) -> str:
        """`idle` is the base class's business: it closes a line on which nothing follows."""
        if self.conn.their_state is h11.SEND_BODY:
            return "body"
        if self.conn.their_state is not h11.IDLE:
            return ""
        begun = self.cycle is None or self.conn.trailing_data[0] or self.timeout_keep_alive_task is None
        return "headers" if begun else "idle"


def guarded(limits: Limits) -> type[GuardedProtocol]:
    """The class that a server makes its lines of."""
    return type("BoundProtocol", (GuardedProtocol,), {"limits": limits})
