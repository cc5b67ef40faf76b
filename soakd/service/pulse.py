"""What the guard's loop does at every turn: whoever watches it hears from the loop itself and from nothing else.

A counter for the limiter at every turn; once a second the hardware watchdog and the service manager. In return it looks
whether the limiter lives, and what it did.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from soakd.crew.watchdog import HardwareWatchdog
from soakd.errors import RefusedError
from soakd.model.finding import Finding
from soakd.model.journal import Watched
from soakd.rules.last_resort import Vigil, acted, armed_text, lost, watched_text
from soakd.service.manager import ServiceManager

if TYPE_CHECKING:
    from soakd.clock import Clock
    from soakd.crew.lifeline import Lifeline
    from soakd.model.run import RunRecord

PING_S = 1.0
START_PATIENCE_S = 10.0
"""How long a limiter may take to start."""


class Pulse:
    """Of one run; everything but `begin` and `end` happens in the guard's loop."""

    def __init__(self, record: RunRecord, lifeline: Lifeline, clock: Clock) -> None:
        self._record = record
        self._lifeline = lifeline
        self._clock = clock
        self._manager = ServiceManager()
        self._vigil = Vigil()
        self._watchdog: HardwareWatchdog | None = None
        self._pinged_s = float("-inf")

    def begin(self, crew_pid: int) -> Watched:
        """Before anything is loaded. Raises RefusedError if somebody does not watch who has to."""
        late_s = self._clock.monotonic() + START_PATIENCE_S
        while not self._lifeline.limiter_beats():
            if self._clock.monotonic() > late_s:
                raise RefusedError(lost(START_PATIENCE_S).text)
            self._clock.sleep(0.005)
        if self._record.watchdog is not None:
            self._watchdog = HardwareWatchdog(self._record.watchdog)
        self._lifeline.crew(crew_pid)
        return Watched(
            at_s=0.0,
            limiter=f"{watched_text(self._record.last_resort)}; {self._lifeline.standing()}",
            watchdog=armed_text(armed.identity, armed.timeout_s) if (armed := self._watchdog) else None,
        )

    def turn(self, now_s: float) -> Finding | None:
        """Why the load has to go, if one of those who watch has taken it or has stopped watching."""
        self._lifeline.beat()
        act = self._lifeline.act()
        if act is not None:
            return acted(act, self._record.last_resort)
        if now_s - self._pinged_s >= PING_S:
            self._pinged_s = now_s
            self._manager.say(WATCHDOG=1)
            try:
                if self._watchdog is not None:
                    self._watchdog.ping()
            except OSError as error:
                text = f"the hardware watchdog takes no more pings ({error.strerror}): it may reset the machine"
                return Finding(rule="watchdog-lost", weight="inconclusive", text=text)
        return self._vigil.observe(self._lifeline.limiter_beats(), now_s)

    def end(self) -> None:
        """The load is gone: nothing is left that the machine would have to be reset for."""
        if self._watchdog is not None:
            with suppress(OSError):
                self._watchdog.close()
