"""When entries may start: the rules of `schedule`, with this machine's time zones and cron firings."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from soakd.clock import utc_text
from soakd.errors import UsageError
from soakd.rules import schedule

if TYPE_CHECKING:
    from soakd.clock import Clock
    from soakd.model.entry import Cron, Entry, When

_LOCALTIME = Path("/etc/localtime")


class Dues:
    """Due moments as UTC text that sorts like time."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock

    def now(self) -> datetime:
        return datetime.fromtimestamp(self._clock.wall(), UTC)

    def first(self, when: When) -> str | None:
        return _text(schedule.first_due(when, self.now(), zone=zone, cron_next=cron_next))

    def after_run(self, entry: Entry, began_utc: str) -> str | None:
        """Of an entry whose run has just ended."""
        began = datetime.fromisoformat(began_utc)
        return _text(schedule.next_due(entry.when, began, self.now(), zone=zone, cron_next=cron_next))

    def overdue(self, entry: Entry) -> tuple[str | None, str | None]:
        """Where an entry stands whose moment has come: its due moment now, or why it is missed."""
        due = datetime.fromisoformat(entry.due_utc or "")
        outcome = schedule.overdue(entry.when, due, self.now(), zone=zone, cron_next=cron_next)
        return (None, outcome) if isinstance(outcome, str) else (_text(outcome), None)


def zone(name: str) -> ZoneInfo:
    """Raises UsageError for a name that no time zone has."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise UsageError(f"{name!r} is not a time zone of the IANA database", hint="such as Europe/Berlin") from error


def local_zone() -> str:
    """The system's own zone by name; UTC where it does not say."""
    try:
        return str(_LOCALTIME.resolve(strict=True)).split("zoneinfo/", 1)[1]
    except (OSError, IndexError):
        return "UTC"


def cron_next(cron: Cron, after: datetime) -> datetime | None:
    """The first firing after a moment, by the alarm's own reading of the five fields."""
    from soakd.service.alarm import firing_after  # noqa: PLC0415 - only cron entries need the library

    return firing_after(cron, zone(cron.zone), after)


def _text(moment: datetime | None) -> str | None:
    return None if moment is None else utc_text(moment.timestamp())
