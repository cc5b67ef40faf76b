"""What will probably run when: the queue played forward, one run after another, as if every run passed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from soakd.model.entry import After, EntryState, Window
from soakd.rules.schedule import next_due, opening, overdue

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from soakd.model.entry import Entry
    from soakd.model.plan import Plan
    from soakd.rules.schedule import CronNext, Zone

BETWEEN_STAGES_S: Final = 3.0
"""What each stage takes on top of its load, as a first guess: its workers get ready."""
_MOST: Final = 300
"""Runs that are looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """One run that will probably be."""

    entry_id: str
    begin: datetime
    end: datetime
    cut: bool = False
    """Its window closes before the plan is through."""


@dataclass(slots=True)
class _Waiting:
    entry: Entry
    due: datetime | None
    left: int | None

    def rank(self) -> tuple[int, int, datetime | None]:
        return -self.entry.priority, self.entry.place, self.due


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """Plays it. `zone` and `cron_next` as in `schedule`."""

    zone: Zone
    cron_next: CronNext

    def spells(
        self, entries: Iterable[Entry], now: datetime, until: datetime, *, busy_until: datetime | None = None
    ) -> list[Spell]:
        """In order, those that begin before `until`. Held entries start nothing; `busy_until`: end of what is on."""
        waiting = [_waiting(entry) for entry in entries if entry.state is not EntryState.HELD]
        found: list[Spell] = []
        at = now
        for running in [each for each in waiting if each.entry.state is EntryState.RUNNING]:
            at = busy_until or now + lasting(running.entry.plan)
            found.append(Spell(entry_id=running.entry.entry_id, begin=now, end=at))
            self._ended(running, now, at, waiting)
        if busy_until is not None:
            at = max(at, busy_until)
        while len(found) < _MOST:
            each = self._next(waiting, at)
            if each is None or each.due is None or max(at, each.due) >= until:
                break
            spell = self._run(each.entry, max(at, each.due))
            found.append(spell)
            at = spell.end
            self._ended(each, spell.begin, at, waiting)
        return found

    def opening(self, window: Window, at: datetime) -> tuple[datetime, datetime]:
        """That which is open then, or opens next."""
        return opening(window, at, self.zone(window.zone))

    def _next(self, waiting: list[_Waiting], at: datetime) -> _Waiting | None:
        """The first by rank of those that may start then; else the one that is due next."""
        for each in [each for each in waiting if each.due is not None and each.due <= at]:
            outcome = overdue(each.entry.when, each.due or at, at, zone=self.zone, cron_next=self.cron_next)
            each.due = None if isinstance(outcome, str) else outcome
        known = [each for each in waiting if each.due is not None]
        ready = [each for each in known if each.due is not None and each.due <= at]
        if ready:
            return min(ready, key=_Waiting.rank)
        first = min((each.due for each in known if each.due is not None), default=None)
        return min((each for each in known if each.due == first), key=_Waiting.rank, default=None)

    def _run(self, entry: Entry, begin: datetime) -> Spell:
        end = begin + lasting(entry.plan)
        if isinstance(entry.when, Window) and entry.when.at_end == "stop":
            closes = self.opening(entry.when, begin)[1]
            if closes < end:
                return Spell(entry_id=entry.entry_id, begin=begin, end=closes, cut=True)
        return Spell(entry_id=entry.entry_id, begin=begin, end=end)

    def _ended(self, each: _Waiting, began: datetime, at: datetime, waiting: list[_Waiting]) -> None:
        each.left = None if each.left is None else each.left - 1
        if each.left is None or each.left > 0:
            each.due = next_due(each.entry.when, began, at, zone=self.zone, cron_next=self.cron_next)
            return
        waiting.remove(each)
        for other in waiting:
            if isinstance(other.entry.when, After) and other.entry.when.entry_id == each.entry.entry_id:
                other.due = at


def lasting(plan: Plan) -> timedelta:
    """How long a run of it will probably take."""
    return timedelta(seconds=plan.duration_s + BETWEEN_STAGES_S * len(plan.stages))


def moved(ranked: Sequence[Entry], entry_id: str, beside: str, *, after: bool) -> list[tuple[str, int, int]]:
    """Identifier, place and priority of each entry that has to be given others so that one goes right before another,
    or right after it.

    `ranked`: waiting and held entries by rank. The moved one takes the other's priority; the rest keep their order.
    Raises LookupError when either is not among them, or both are the same.
    """
    by_id = {entry.entry_id: entry for entry in ranked if entry.entry_id != entry_id}
    one = next((entry for entry in ranked if entry.entry_id == entry_id), None)
    if one is None or beside not in by_id:
        raise LookupError(f"{entry_id} cannot be moved beside {beside}")
    other = by_id[beside]
    alike = [entry for entry in by_id.values() if entry.priority == other.priority]
    at = alike.index(other) + after
    changes: list[tuple[str, int, int]] = []
    least = 0
    for entry in (*alike[:at], one, *alike[at:]):
        place = max(other.place + after if entry is one else entry.place, least)
        least = place + 1
        if (place, other.priority) != (entry.place, entry.priority):
            changes.append((entry.entry_id, place, other.priority))
    return changes


def _waiting(entry: Entry) -> _Waiting:
    due = None if entry.due_utc is None else datetime.fromisoformat(entry.due_utc)
    left = None if entry.count is None else entry.count - entry.runs_done
    return _Waiting(entry=entry, due=due, left=left)
