"""What the daemon told last, and everybody who listens. Holds a bounded number of events, and waits for nobody."""

from __future__ import annotations

import asyncio
import json
from collections import deque
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from soakd.web.problems import ProblemError
from soakd.web.status import Status

if TYPE_CHECKING:
    from collections.abc import Callable

    from soakd.clock import Clock
    from soakd.model.drill import DrillCall
    from soakd.web.limits import Limits
    from soakd.web.peers import Caller


def message(kind: str, document: Any, number: int | None = None) -> bytes:
    """One event as the HTML standard frames it (section 9.2, server-sent events)."""
    identifier = "" if number is None else f"id: {number}\n"
    data = document if isinstance(document, str) else json.dumps(document, ensure_ascii=False, separators=(",", ":"))
    return f"{identifier}event: {kind}\ndata: {data}\n\n".encode()


class Listener:
    """One open stream. Events queue up to a bound; of statuses only the newest is kept."""

    def __init__(self, caller: Caller, most: int, cut: Callable[[], None]) -> None:
        self.caller = caller
        self.ended = False
        self._most = most
        self._cut = cut
        self._events: deque[bytes] = deque()
        self._status: bytes | None = None
        self._wake = asyncio.Event()

    def offer_event(self, text: bytes) -> None:
        """A listener that is too far behind is dropped: it comes back and asks for what it missed."""
        if len(self._events) >= self._most:
            self.end()
            self._cut()
            return
        self._events.append(text)
        self._wake.set()

    def offer_status(self, text: bytes) -> None:
        self._status = text
        self._wake.set()

    def end(self) -> None:
        self.ended = True
        self._events.clear()
        self._wake.set()

    async def take(self, patience_s: float) -> bytes:
        """Everything that waits, events first; empty when nothing came in time or it has ended."""
        try:
            async with asyncio.timeout(patience_s):
                await self._wake.wait()
        except TimeoutError:
            return b""
        self._wake.clear()
        text = b"".join(self._events) + (self._status or b"")
        self._events.clear()
        self._status = None
        return text


class Hub:
    """Fed by the link to the daemon, read by the streams and the status page."""

    metrics: str | None = None
    """The daemon's latest exposition; None before its first."""
    drill: DrillCall | None = None
    """The call of drills that is on, or was the last; None where there was none since the daemon was started."""

    def __init__(self, limits: Limits, clock: Clock) -> None:
        self._limits = limits
        self._clock = clock
        self._kept: deque[tuple[int, bytes]] = deque(maxlen=limits.kept_events)
        self._listeners: set[Listener] = set()
        self._status: Status | None = None
        self._heard_s = 0.0
        self.wake: Callable[[], None] = lambda: None
        """Called when the daemon has said something."""

    @property
    def latest(self) -> Status | None:
        """What it said last, however old; None before that."""
        return self._status

    @property
    def heard_s(self) -> float | None:
        """When that was, on the monotonic clock."""
        return None if self._status is None else self._heard_s

    def silent_s(self) -> float | None:
        """For how long it has said nothing, where that is longer than it may be; else None."""
        silent_s = self._clock.monotonic() - self._heard_s
        return silent_s if self._status is not None and silent_s > self._limits.silent_s else None

    def __len__(self) -> int:
        return len(self._listeners)

    def take_status(self, document: dict[str, Any]) -> None:
        was, self._status = self._status, Status.model_validate_json(json.dumps(document))
        self._heard_s = self._clock.monotonic()
        text = message("status", self._status.model_dump_json())
        for listener in self._listeners:
            listener.offer_status(text)
        if was is None or (was.run is None) != (self._status.run is None) or was.drill != self._status.drill:
            self.wake()

    def take_event(self, number: int, run_id: str, event: dict[str, Any]) -> None:
        text = message("event", {"run_id": run_id, "seq": number, "event": event}, number)
        self._kept.append((number, text))
        for listener in list(self._listeners):
            listener.offer_event(text)
        self.wake()

    def status(self) -> Status:
        """Raises ProblemError while the daemon says nothing: an old picture must not pass for the present one."""
        if self._status is None:
            raise ProblemError(HTTPStatus.SERVICE_UNAVAILABLE, "unreachable", "the daemon has not said anything yet")
        silent_s = self._clock.monotonic() - self._heard_s
        if silent_s > self._limits.silent_s:
            raise ProblemError(
                HTTPStatus.SERVICE_UNAVAILABLE,
                "unreachable",
                f"the daemon has said nothing for {silent_s:.0f} s",
                hint="a soak that is on is guarded by a process of its own; look at the daemon's log",
            )
        return self._status

    def open(self, caller: Caller, after: int | None, cut: Callable[[], None]) -> tuple[Listener, bytes]:
        """A listener, and what it is to be sent first. Raises ProblemError when there are too many."""
        listener = self.listener(caller, cut, self._listeners)
        first = self._missed(after)
        if self._status is not None:
            first += message("status", self._status.model_dump_json())
        return listener, first

    def listener(self, caller: Caller, cut: Callable[[], None], among: set[Listener]) -> Listener:
        """One more among those. Raises ProblemError when there are too many."""
        own = sum(other.caller == caller for other in among)
        if len(among) >= self._limits.streams or (caller.token and own >= self._limits.streams_per_token):
            raise ProblemError(
                HTTPStatus.TOO_MANY_REQUESTS,
                "too-many",
                "as many streams are open as are served at once",
                headers={"Retry-After": "5"},
            )
        listener = Listener(caller, self._limits.waiting_events, cut)
        among.add(listener)
        return listener

    def close(self, listener: Listener) -> None:
        self._listeners.discard(listener)

    def close_all(self) -> None:
        for listener in self._listeners:
            listener.end()

    def _missed(self, after: int | None) -> bytes:
        """What is still here of what came after a number; a gap is said and not passed over.

        A number from the future is from before the daemon was started anew: everything since is new to the reader.
        """
        if after is None or not self._kept:
            return b""
        oldest, newest = self._kept[0][0], self._kept[-1][0]
        if after > newest:
            after = 0
        gap = message("gap", {"first": after + 1, "last": oldest - 1}) if oldest > after + 1 else b""
        return gap + b"".join(text for number, text in self._kept if number > after)
