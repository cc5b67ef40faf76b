"""Where an entry can be and what moves it: one table; a missing pair raises."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

from soakd.model.entry import EntryState

if TYPE_CHECKING:
    from soakd.model.entry import Entry


class EntryEvent(StrEnum):
    """What can happen to an entry."""

    CLAIM = "claim"
    RUN_ENDED = "run-ended"
    LAST_RUN_ENDED = "last-run-ended"
    HOLD = "hold"
    RELEASE = "release"
    CANCEL = "cancel"
    MISS = "miss"


TABLE: dict[tuple[EntryState, EntryEvent], EntryState] = {
    (EntryState.WAITING, EntryEvent.CLAIM): EntryState.RUNNING,
    (EntryState.WAITING, EntryEvent.HOLD): EntryState.HELD,
    (EntryState.WAITING, EntryEvent.CANCEL): EntryState.CANCELLED,
    (EntryState.WAITING, EntryEvent.MISS): EntryState.MISSED,
    (EntryState.HELD, EntryEvent.RELEASE): EntryState.WAITING,
    (EntryState.HELD, EntryEvent.CANCEL): EntryState.CANCELLED,
    (EntryState.RUNNING, EntryEvent.RUN_ENDED): EntryState.WAITING,
    (EntryState.RUNNING, EntryEvent.LAST_RUN_ENDED): EntryState.DONE,
}


def after(state: EntryState, event: EntryEvent) -> EntryState:
    """The next state. Raises LookupError for a pair that cannot happen."""
    try:
        return TABLE[state, event]
    except KeyError:
        raise LookupError(f"an entry that is {state} cannot see {event}") from None


def run_ended_event(entry: Entry) -> EntryEvent:
    """Whether the run that has just ended was the entry's last. A run that was cut off counts: nothing runs twice."""
    more = entry.count is None or entry.runs_done + 1 < entry.count
    return EntryEvent.RUN_ENDED if more else EntryEvent.LAST_RUN_ENDED
