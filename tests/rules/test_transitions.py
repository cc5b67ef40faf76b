"""Where a run can be, and what moves it."""

from __future__ import annotations

from itertools import product

import pytest

from soakd.model.run import RunState
from soakd.rules.transitions import TABLE, RunEvent, after

EVERY_PAIR = list(product(RunState, RunEvent))


@pytest.mark.parametrize(
    ("events", "state"),
    [
        ([], RunState.STARTING),
        ([RunEvent.JUDGED], RunState.FINISHED),  # it died or was refused before any load
        ([RunEvent.LOAD_BEGINS], RunState.SOAKING),
        ([RunEvent.LOAD_BEGINS, RunEvent.LOAD_BEGINS, RunEvent.JUDGED], RunState.FINISHED),
    ],
)
def test_a_run_goes_from_starting_over_soaking_to_finished(events, state):
    now = RunState.STARTING
    for event in events:
        now = after(now, event)
    assert now is state


def test_a_finished_run_stays_finished():
    assert {event for event in RunEvent if (RunState.FINISHED, event) in TABLE} == set()


@pytest.mark.parametrize(("state", "event"), [pair for pair in EVERY_PAIR if pair not in TABLE])
def test_every_pair_that_is_not_in_the_table_raises(state, event):
    with pytest.raises(LookupError, match=f"{state} cannot see {event}"):
        after(state, event)
