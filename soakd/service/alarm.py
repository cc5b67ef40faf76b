"""The alarm clock, and the only module that knows APScheduler.

It holds nothing that must not be lost: its jobs are rebuilt from the queue's table at every start, and all a job does
is to poke the dispatcher, which looks into the table. Rules: a poke that comes late is still given (no grace time),
several that were missed become one (coalesced), and every `LOOK_S` the dispatcher is poked anyway, so that a stepped
clock or a suspend delays nothing for longer than that.

The library's cron skips a midnight in spring and fires twice in autumn when given a time zone; its fields are therefore
evaluated on the bare wall clock, and `schedule.local_instant` places the result in the zone.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.date import DateTrigger
from apscheduler.triggers.interval import IntervalTrigger

from soakd.errors import UsageError
from soakd.rules.schedule import local_instant

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import tzinfo

    from soakd.model.entry import Cron

LOOK_S = 15.0
_NAMED_DAYS = frozenset(["mon", "tue", "wed", "thu", "fri", "sat", "sun"])
_FIELDS = ("minute", "hour", "day", "month", "day_of_week")
_MOST_STEPS = 10_000


def trigger_of(expression: str) -> CronTrigger:
    """Five fields; weekdays by name. Raises UsageError with what would be right."""
    fields = expression.split()
    if len(fields) != len(_FIELDS):
        raise UsageError(f"cron {expression!r}: five fields are wanted: minute, hour, day, month, weekday")
    if any(character.isdigit() for character in fields[4]):
        raise UsageError(f"cron {expression!r}: name the weekday (mon … sun); conventions number it differently")
    try:
        return CronTrigger(**dict(zip(_FIELDS, fields, strict=True)), timezone=UTC)
    except ValueError as error:
        raise UsageError(f"cron {expression!r}: {error}") from error


def firing_after(cron: Cron, zone: tzinfo, after: datetime) -> datetime | None:
    """The first firing after a moment; None when there is none. Each wall-clock time of a day fires once."""
    trigger = trigger_of(cron.expression)
    wall = after.astimezone(zone).replace(tzinfo=UTC, fold=0) - timedelta(hours=3)
    for _ in range(_MOST_STEPS):
        fired = trigger.get_next_fire_time(None, wall)
        if fired is None:
            return None
        moment = local_instant(fired.date(), fired.time().replace(tzinfo=None), zone)
        if moment > after:
            return moment
        wall = fired + timedelta(microseconds=1)
    return None


class Alarm:
    """Pokes, from a thread of its own, when something is due."""

    def __init__(self, poke: Callable[[], None]) -> None:
        """`poke` must be safe to call from another thread."""
        self._poke = poke
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
        )
        self._scheduler.add_job(poke, IntervalTrigger(seconds=int(LOOK_S), timezone=UTC), id="look")
        self._set: dict[str, str] = {}

    def start(self) -> None:
        self._scheduler.start()

    def set(self, name: str, due_utc: str | None) -> None:
        """Poke at that moment; None forgets the name. Asking for the same again costs nothing."""
        if self._set.get(name) == due_utc:
            return
        if due_utc is None:
            del self._set[name]
            if self._scheduler.get_job(name) is not None:
                self._scheduler.remove_job(name)
            return
        self._set[name] = due_utc
        trigger = DateTrigger(datetime.fromisoformat(due_utc), timezone=UTC)
        self._scheduler.add_job(self._poke, trigger, id=name, replace_existing=True)

    def stop(self) -> None:
        self._scheduler.shutdown(wait=False)
