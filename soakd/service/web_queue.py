"""What the queue's page needs of the service: when cron fires, and the bench's own time."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from soakd.rules.ahead import Ahead
from soakd.service.due import Dues, cron_next, zone

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from soakd.clock import Clock


_KEPT = 4096
"""Firings; they are asked for again at every look at the queue."""
_cron_next = lru_cache(maxsize=_KEPT)(cron_next)


class QueueForesight:
    """`home`: where plans and sheets are stored."""

    def __init__(self, home: Path, clock: Clock) -> None:
        self.home = home
        self.ahead = Ahead(zone=zone, cron_next=_cron_next)
        self._dues = Dues(clock)

    def now(self) -> datetime:
        return self._dues.now()
