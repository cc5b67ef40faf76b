"""Once a day, while nothing runs: old readings thinned, old messages forgotten, the bench's standing looked at.

Each turn does one small step, so that a start that is due waits for nothing longer than a short transaction.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import structlog

from soakd.clock import utc_text
from soakd.errors import StoreError
from soakd.model.entry import Cron
from soakd.service.alarm import firing_after
from soakd.service.due import zone
from soakd.store.retention import Retention

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import datetime

    from soakd.clock import Clock
    from soakd.model.configuration import Configuration
    from soakd.service.due import Dues
    from soakd.service.telling import Teller
    from soakd.store.retention import Thinned
    from soakd.store.writer import Writer

_log = structlog.get_logger(__name__)


class Housekeeping:
    """Knows when the next day's work is due, and how far today's has come."""

    def __init__(
        self,
        writer: Writer,
        configuration: Configuration,
        own_zone: str,
        dues: Dues,
        clock: Clock,
        teller: Teller,
        look: Callable[[], None],
    ) -> None:
        """`look`: the daily look at the bench's standing."""
        hour, minute = configuration.retention.at.split(":")
        self._daily = Cron(expression=f"{minute} {hour} * * *", zone=own_zone)
        self._age_s = configuration.retention.readings_s
        self._messages_s = configuration.retention.messages_s
        self._retention = Retention(writer)
        self._dues = dues
        self._clock = clock
        self._teller = teller
        self._look = look
        self._steps: Iterator[Thinned] | None = None
        self._due = self._next()

    @property
    def due_utc(self) -> str:
        return utc_text(self._due.timestamp())

    def turn(self) -> None:
        """One step of today's work, if there is any. Never raises StoreError: tomorrow is another day."""
        try:
            if self._steps is not None:
                self._step(self._steps)
            elif self._dues.now() >= self._due:
                self._due = self._next()
                self._look()
                self._teller.forget(self._messages_s)
                now_s = self._clock.wall()
                self._steps = self._retention.steps(utc_text(now_s - self._age_s), utc_text(now_s))
        except StoreError as error:
            self._steps = None
            _log.warning("housekeeping was cut short", error=error.message)

    def _step(self, steps: Iterator[Thinned]) -> None:
        if next(steps, None) is None:
            self._steps = None
            self._retention.give_back()

    def _next(self) -> datetime:
        due = firing_after(self._daily, zone(self._daily.zone), self._dues.now())
        if due is None:
            raise RuntimeError("every day has its time")
        return due
