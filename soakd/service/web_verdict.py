"""What a verdict's page needs of the service: whether its signature holds, for the report and for the card."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.service.home import Home

if TYPE_CHECKING:
    from datetime import tzinfo
    from pathlib import Path

    from soakd.clock import Clock
    from soakd.report.page import Night


class Verified:
    """Reads the journal; takes its time, so ask in a thread. Raises UsageError, StoreError."""

    def __init__(self, home: Path, clock: Clock) -> None:
        self.clock = clock
        self._home = Home(home)

    def night(self, run_id: str, zone: tzinfo) -> Night:
        from soakd.service.reporting import night_of  # noqa: PLC0415 - loads the virtual bench too

        return night_of(self._home, run_id, zone)

    def card(self, run_id: str) -> str:
        from soakd.service.reporting import card_of  # noqa: PLC0415

        return card_of(self._home, run_id)[1]
