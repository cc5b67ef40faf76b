"""Where a run can be, and what moves it: one table of state × event; a missing pair raises."""

from __future__ import annotations

from enum import StrEnum

from soakd.model.run import RunState


class RunEvent(StrEnum):
    """What can happen to a run."""

    LOAD_BEGINS = "load-begins"
    JUDGED = "judged"


TABLE: dict[tuple[RunState, RunEvent], RunState] = {
    (RunState.STARTING, RunEvent.LOAD_BEGINS): RunState.SOAKING,
    (RunState.SOAKING, RunEvent.LOAD_BEGINS): RunState.SOAKING,
    (RunState.STARTING, RunEvent.JUDGED): RunState.FINISHED,
    (RunState.SOAKING, RunEvent.JUDGED): RunState.FINISHED,
}


def after(state: RunState, event: RunEvent) -> RunState:
    """The next state. Raises LookupError for a pair that cannot happen."""
    try:
        return TABLE[state, event]
    except KeyError:
        raise LookupError(f"a run that is {state} cannot see {event}") from None
