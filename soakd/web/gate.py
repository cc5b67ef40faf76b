"""What every request passes before anything looks at it: who, from where, how often, how much, in what form."""

from __future__ import annotations

import asyncio
import math
from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.datastructures import Headers, MutableHeaders

from soakd.web import problems, signing
from soakd.web.limits import Buckets
from soakd.web.problems import ProblemError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from soakd.clock import Clock
    from soakd.web.limits import Limits
    from soakd.web.peers import Caller, Doorkeeper

READING = frozenset({"GET", "HEAD", "OPTIONS"})
SECURITY_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
"""On every answer; a route that needs another value sets its own."""


class GoneError(Exception):
    """The caller hung up; there is nobody to answer."""


class Gate:
    """Wraps the application."""

    def __init__(
        self, app: ASGIApp, *, doorkeeper: Doorkeeper, hosts: Sequence[str], limits: Limits, clock: Clock
    ) -> None:
        self._app = app
        self._doorkeeper = doorkeeper
        self._hosts = frozenset(host.lower() for host in hosts)
        self._limits = limits
        self._buckets = Buckets(clock)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            raise RuntimeError(f"only HTTP is spoken here, not {scope['type']}")
        send = _with_security_headers(send)
        headers = Headers(scope=scope)
        try:
            scope["state"]["caller"] = self._admit(scope, headers)
            body = await self._body(headers, receive)
        except ProblemError as problem:
            await (signing.instead(scope, headers, problem) or problems.response(problem))(scope, receive, send)
        except GoneError:
            return
        else:
            await self._app(scope, _replay(body, receive), send)

    def _admit(self, scope: Scope, headers: Headers) -> Caller | None:
        """None for somebody unknown who may only sign in."""
        self._check_size(scope)
        writes = scope["method"] not in READING
        on_tcp = scope["state"].get("credentials") is None
        if on_tcp:
            self._check_host(headers)
        try:
            caller = self._doorkeeper.caller(scope["state"], headers.getlist("authorization"), signing.kept(headers))
        except ProblemError:
            open_to_all = scope["path"] in signing.OPEN
            self._take_turn("strangers", writes=False if open_to_all and not writes else None)
            if not open_to_all:
                raise
            if writes:
                _check_form_of_page(headers)
            return None
        self._take_turn(caller.name, writes=writes)
        if writes:
            _check_origin(headers, on_tcp=on_tcp)
            if scope["path"] in signing.FORMS and "origin" in headers:
                _check_form_of_page(headers)
            else:
                _check_form(headers)
            if caller.role != "operate" and scope["path"] not in signing.OWN:
                raise ProblemError(
                    HTTPStatus.FORBIDDEN,
                    "permission",
                    f"{caller.name} may look, but not change anything",
                    hint="`soakd token add NAME --role operate` makes a token that may",
                )
        return caller

    def _check_size(self, scope: Scope) -> None:
        """The line to the caller bounds only what comes in pieces."""
        size = len(scope["raw_path"]) + len(scope["query_string"])
        size += sum(len(name) + len(value) + len(": \r\n") for name, value in scope["headers"])
        if size > self._limits.header_bytes:
            raise ProblemError(
                HTTPStatus.REQUEST_HEADER_FIELDS_TOO_LARGE,
                "too-large",
                f"address and headers may hold {self._limits.header_bytes // 1024} KiB",
            )

    def _check_host(self, headers: Headers) -> None:
        """A name that we do not go by means that somebody's page had a name of its own point here."""
        given = headers.getlist("host")
        if len(given) != 1 or _bare_host(given[0]) not in self._hosts:
            raise ProblemError(
                HTTPStatus.MISDIRECTED_REQUEST,
                "host",
                "this address is not called by that name",
                hint="`hosts` under [api] in soakd.toml lists the names",
            )

    def _take_turn(self, caller: str, *, writes: bool | None) -> None:
        kinds = {None: ("any", self._limits.strangers), True: ("write", self._limits.writes)}
        kind, rate = kinds.get(writes, ("read", self._limits.reads))
        wait_s = self._buckets.wait_s(caller, kind, rate)
        if wait_s > 0:
            raise ProblemError(
                HTTPStatus.TOO_MANY_REQUESTS,
                "too-many",
                f"{rate.burst:g} requests at once and {rate.per_s:g} per second after that are taken here",
                hint="/api/v1/events tells of changes, so that nobody needs to ask",
                headers={"Retry-After": str(math.ceil(wait_s))},
            )

    async def _body(self, headers: Headers, receive: Receive) -> bytes:
        most = self._limits.body_bytes
        too_large = ProblemError(
            HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "too-large", f"a body may hold {most // 1024} KiB"
        )
        length = headers.get("content-length", "0")
        if length.isascii() and length.isdigit() and int(length) > most:
            raise too_large
        body = bytearray()
        try:
            async with asyncio.timeout(self._limits.body_s):
                while True:
                    message = await receive()
                    if message["type"] == "http.disconnect":
                        raise GoneError
                    body += message.get("body", b"")
                    if len(body) > most:
                        raise too_large
                    if not message.get("more_body", False):
                        return bytes(body)
        except TimeoutError:
            raise ProblemError(
                HTTPStatus.REQUEST_TIMEOUT,
                "too-slow",
                f"the body was not here within {self._limits.body_s:g} s",
                headers={"Connection": "close"},
            ) from None


def _bare_host(given: str) -> str:
    """Without the port: "[::1]:80" is "[::1]"."""
    name, colon, port = given.lower().rpartition(":")
    return name if colon and port.isascii() and port.isdigit() else given.lower()


def _check_origin(headers: Headers, *, on_tcp: bool) -> None:
    """A browser says from which page a request comes; only our own may change anything, and none is on the socket.

    Ours may have come through a proxy that speaks TLS; its name is one of `hosts` then.
    """
    origins = headers.getlist("origin")
    host = headers.get("host", "").lower()
    own = [f"http://{host}", f"https://{host}"] if on_tcp else []
    sites = headers.getlist("sec-fetch-site")
    if any(origin.lower() not in own for origin in origins) or any(s not in {"same-origin", "none"} for s in sites):
        raise ProblemError(HTTPStatus.FORBIDDEN, "origin", "a page of another origin may not change anything here")


def _check_form(headers: Headers) -> None:
    """A form of a page cannot send this type, so a page cannot write without asking the browser first."""
    kind, *parameters = (part.strip().lower() for part in ",".join(headers.getlist("content-type")).split(";"))
    if kind != "application/json" or any(p and p not in {"charset=utf-8", 'charset="utf-8"'} for p in parameters):
        raise ProblemError(
            HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
            "media-type",
            "what changes something is sent as application/json",
            hint="send `Content-Type: application/json`, also with an empty body",
        )
    if headers.get("content-encoding", "identity").lower() != "identity":
        raise ProblemError(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "media-type", "bodies are taken as they are, not packed")


def _check_form_of_page(headers: Headers) -> None:
    """A form that works without a script. Browsers say with every form from which page it comes (Fetch standard,
    "append a request `Origin` header"), so here one has to.
    """
    if "origin" not in headers:
        raise ProblemError(HTTPStatus.FORBIDDEN, "origin", "a form has to say from which page it comes")
    _check_origin(headers, on_tcp=True)
    if headers.get("content-type", "").partition(";")[0].strip().lower() != signing.FORM_TYPE:
        raise ProblemError(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "media-type", f"send it as {signing.FORM_TYPE}")


def _with_security_headers(send: Send) -> Send:
    async def wrapped(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in SECURITY_HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return wrapped


def _replay(body: bytes, receive: Receive) -> Receive:
    """The body again for the application, then whatever the line says."""
    waiting: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def again() -> Message:
        return waiting.pop() if waiting else await receive()

    return again
