"""When an entry may start: pure arithmetic on moments, with time zones and their jumps.

A wall-clock time that a zone skips (spring) means the moment that it would have been without the jump; one that occurs
twice (autumn) means the first. Nothing is ever started twice for one opening or one firing.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

from soakd.model.entry import After, At, AtBoot, Cron, Now, Window

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import tzinfo

    from soakd.model.entry import When

    CronNext = Callable[[Cron, datetime], datetime | None]
    """The first firing after a moment."""
    Zone = Callable[[str], tzinfo]

LATEST_AT = timedelta(hours=12)
"""How late a one-off start may be made up for after the daemon was down; then it is missed, and told."""
LATEST_CRON = timedelta(hours=1)
"""The same for a repeated start, which has another firing to come; several missed ones are made up for by one."""
_CLOCK = re.compile(r"^([01]?\d|2[0-3]):([0-5]\d)$")
_DAY_CLOCK = re.compile(r"^(\d{4}-\d\d-\d\d)[ T]([01]?\d|2[0-3]):([0-5]\d)$")


def local_instant(day: date, clock: time, zone: tzinfo) -> datetime:
    """The moment, in UTC, at which clocks in the zone show this time on this day."""
    return datetime.combine(day, clock.replace(fold=0), zone).astimezone(UTC)


def parse_at(text: str, now: datetime, zone: tzinfo) -> datetime:
    """The next time the clock shows "23:00"; or that very moment, "2026-11-25 23:00". Raises ValueError."""
    if match := _CLOCK.match(text):
        clock = time(int(match[1]), int(match[2]))
        today = now.astimezone(zone).date()
        moments = (local_instant(today + timedelta(days=days), clock, zone) for days in range(3))
        return next(moment for moment in moments if moment > now)
    if match := _DAY_CLOCK.match(text):
        moment = local_instant(date.fromisoformat(match[1]), time(int(match[2]), int(match[3])), zone)
        if moment <= now:
            raise ValueError("that moment is past")
        return moment
    raise ValueError('a start is a time ("23:00") or a day and a time ("2026-11-25 23:00")')


def opening(window: Window, now: datetime, zone: tzinfo) -> tuple[datetime, datetime]:
    """Start and end of the opening that is going on, or of the next one."""
    opens, closes = time.fromisoformat(window.opens), time.fromisoformat(window.closes)
    today = now.astimezone(zone).date()
    for days in (-1, 0, 1, 2):
        day = today + timedelta(days=days)
        start = local_instant(day, opens, zone)
        end = local_instant(day if closes > opens else day + timedelta(days=1), closes, zone)
        if now < end:
            return start, end
    raise AssertionError("every day has an opening")  # pragma: no cover


def first_due(when: When, now: datetime, *, zone: Zone, cron_next: CronNext) -> datetime | None:
    """Earliest start of a new entry; None while it hangs on an event."""
    match when:
        case Now():
            return now
        case At():
            return datetime.fromisoformat(when.instant_utc)
        case Window():
            return max(now, opening(when, now, zone(when.zone))[0])
        case Cron():
            return cron_next(when, now)
        case AtBoot() | After():
            return None


def next_due(when: When, began: datetime, ended: datetime, *, zone: Zone, cron_next: CronNext) -> datetime | None:
    """Earliest start of the next run of an entry that asks for more than one.

    For a window it is the opening after the one in which the last run began: that run may have gone on to its very end.
    """
    match when:
        case Window():
            return opening(when, opening(when, began, zone(when.zone))[1], zone(when.zone))[0]
        case Cron():
            return cron_next(when, ended)
        case _:
            return ended


def overdue(when: When, due: datetime, now: datetime, *, zone: Zone, cron_next: CronNext) -> datetime | str | None:
    """What to do with an entry that could not start when it was due.

    The due moment itself when it may still start now; another moment when it has to wait for that; a text that says
    why it is missed.
    """
    late = now - due
    match when:
        case At() if late > LATEST_AT:
            return f"due at {when.local} ({when.zone}), and {late} later it could still not start"
        case Cron() if late > LATEST_CRON:
            return cron_next(when, now)
        case Window():
            start, _ = opening(when, now, zone(when.zone))
            return due if start <= now else start
        case _:
            return due
