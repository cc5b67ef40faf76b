"""What open pages are told: the parts of them that have changed, rendered once for everybody who looks."""

from __future__ import annotations

import asyncio
import logging
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final, TypeVar

from soakd.web.hub import message

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from soakd.clock import Clock
    from soakd.web.hub import Hub, Listener
    from soakd.web.peers import Caller
    from soakd.web.present import Present
    from soakd.web.status import Status

_LOG = logging.getLogger(__name__)
BETWEEN_S: Final = 0.3
"""Pages are told no more often than this."""
SLICE_S: Final = 0.3
"""A night that was missed is read for so long at a time; then it is told how far that has come, and the cores, which
are the soak's, are left alone for as long.
"""
QUIET_S: Final = 1.0
"""Without news of a run they are told so often, that everything is well."""

Taken = TypeVar("Taken")


class Feed:
    """Renders in a thread of its own, which alone touches the present run; the loop only hands out what came of it."""

    def __init__(self, hub: Hub, present: Present, clock: Clock) -> None:
        self.paint: Callable[[Present, Status | None], Mapping[str, str]] = lambda _present, _status: {}
        """Name of each part to its HTML; set by the pages."""
        self._hub = hub
        self._present = present
        self._clock = clock
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="present")
        self._wake = asyncio.Event()
        self._parts: dict[str, str] = {}
        self._listeners: set[Listener] = set()
        self._told_s = float("-inf")
        self._ended = False
        self._age_s: tuple[float, float] | None = None

    def part(self, name: str) -> str:
        """One part as it is now; empty before the first."""
        return self._parts.get(name, "")

    def parts(self) -> dict[str, str]:
        return dict(self._parts)

    def wake(self) -> None:
        """Something was said of a run."""
        self._wake.set()

    async def of_present(self, take: Callable[[Present], Taken]) -> Taken:
        """What is taken of the present run, in the thread that alone touches it."""
        return await asyncio.get_running_loop().run_in_executor(self._thread, take, self._present)

    async def run(self) -> None:
        """Until it is cancelled."""
        while True:
            if not self._present.behind:
                with suppress(TimeoutError):
                    async with asyncio.timeout(QUIET_S):
                        await self._wake.wait()
            wait_s = self._told_s + BETWEEN_S - self._clock.monotonic()
            if wait_s > 0.0:
                await asyncio.sleep(wait_s)
            self._wake.clear()
            await self.refresh()
            self._told_s = self._clock.monotonic()

    async def refresh(self) -> None:
        """Look, paint, and tell everybody what has changed."""
        status = self._hub.latest
        try:
            fresh = await asyncio.get_running_loop().run_in_executor(self._thread, self._painted, status)
        except Exception:  # noqa: BLE001 - a page that cannot be painted must not end the stream of all others
            if not self._ended:
                _LOG.exception("the pages could not be painted")
            return
        changed = {name: text for name, text in fresh.items() if self._parts.get(name) != text}
        self._parts = fresh
        if self._listeners:
            told = message("parts", {"parts": changed, **self._well()})
            for listener in self._listeners:
                listener.offer_status(told) if not changed else listener.offer_event(told)

    def open(self, caller: Caller, cut: Callable[[], None]) -> tuple[Listener, bytes]:
        """A listener for a page that has just been shown, and all parts as they are."""
        listener = self._hub.listener(caller, cut, self._listeners)
        return listener, message("parts", {"parts": self._parts, **self._well()})

    def close(self, listener: Listener) -> None:
        self._listeners.discard(listener)

    def close_all(self) -> None:
        for listener in self._listeners:
            listener.end()
        self._ended = True
        self._thread.shutdown(wait=False, cancel_futures=True)

    def _painted(self, status: Status | None) -> dict[str, str]:
        run_id = None if status is None or status.run is None else status.run.run_id
        until_s = self._clock.monotonic() + SLICE_S
        self._present.look(run_id)
        while self._present.behind and self._clock.monotonic() < until_s:
            self._present.look(run_id)
        so_far = self._present.so_far
        tick_s = None if so_far is None else so_far.last_tick_s
        if tick_s is not None and (self._age_s is None or self._age_s[0] != tick_s):
            self._age_s = tick_s, self._clock.monotonic()
        elif tick_s is None:
            self._age_s = None
        return dict(self.paint(self._present, status))

    def _well(self) -> dict[str, Any]:
        """How old the newest reading and the daemon's last word are."""
        now_s = self._clock.monotonic()
        return {
            "reading_age_s": None if self._age_s is None else round(now_s - self._age_s[1], 1),
            "daemon_age_s": None if self._hub.heard_s is None else round(now_s - self._hub.heard_s, 1),
        }
