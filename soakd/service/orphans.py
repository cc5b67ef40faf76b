"""Runs that an earlier process left behind: each is judged once, and its entry moves on with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.service.session import judge_orphan
from soakd.store.queue import run_ended

if TYPE_CHECKING:
    from collections.abc import Callable

    from soakd.clock import Clock
    from soakd.model.entry import Entry
    from soakd.model.verdict import Verdict
    from soakd.service.home import Home
    from soakd.store.journal import Journal
    from soakd.store.queue import Queue


def judge_orphans(
    journal: Journal, queue: Queue, clock: Clock, home: Home, next_due: Callable[[Entry, str], str | None]
) -> list[Verdict]:
    """Judge every run that never finished. The caller holds the bench lock, so none of them is alive.

    A run that was cut off counts as one of its entry's runs: nothing is run twice. `next_due` says when the entry's
    next run may start.
    """
    verdicts = []
    for record in journal.orphans():
        verdict = judge_orphan(record, journal, clock, home)
        entry_id = journal.entry_of(record.run_id)
        entry = queue.find(entry_id) if entry_id else None
        step = [run_ended(entry, record.run_id, next_due(entry, record.started_utc))] if entry else []
        journal.finish(verdict, entry=step)
        verdicts.append(verdict)
    return verdicts
