"""The run that is on: what its page says at the end is what the verdict says, and on the way nothing is invented."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from nights import STAGES, TIGHT, trouble
from virtual_parts import lantern, plan, sheet

from soakd.model.journal import StageEnded, Tick
from soakd.report.now import now_view
from soakd.report.sofar import SoFar
from soakd.report.view import view
from soakd.service.rehearsal import rehearse
from soakd.service.virtual_record import draft
from soakd.workloads.kinds import KINDS

BERLIN = ZoneInfo("Europe/Berlin")
UNITS = {name: kind.unit for name, kind in KINDS.items()}


def rehearsed(bench):
    """Record, events and verdict of twenty minutes."""
    wanted = plan(*STAGES, tick_s=2.0, mismatches=8).model_copy(update={"limits": TIGHT})
    record = draft(wanted, sheet(), bench, plan_file="trial", seed=1)
    events = []
    shown = rehearse(wanted, sheet(), bench, plan_file="trial", seed=1, also=events.append)
    return record, events, shown.verdict


@pytest.fixture(scope="module")
def healthy():
    return rehearsed(lantern())


@pytest.fixture(scope="module")
def erring():
    return rehearsed(trouble())


def fed(record, events):
    so_far = SoFar(record, UNITS)
    for event in events:
        so_far.take(event)
    return so_far


@pytest.mark.parametrize("which", ["healthy", "erring"])
def test_at_the_end_every_number_is_the_verdicts(which, request):
    record, events, verdict = request.getfixturevalue(which)
    so_far = fed(record, events)
    shown, told = now_view(so_far, BERLIN), view(verdict)
    for margin, limit in zip(so_far.margins, verdict.evidence.limits, strict=True):
        assert (margin.nearest, margin.nearest_s) == (limit.nearest, limit.at_s)
    for strip in shown.strips:
        assert f"{told.margins[strip.number].left} at the worst" in strip.worst
        assert strip.bound == told.margins[strip.number].bound
    assert shown.points == told.points
    assert so_far.progress.rounds == sum(stage.rounds for stage in verdict.evidence.stages)
    assert so_far.progress.mismatches == sum(stage.mismatches for stage in verdict.evidence.stages)
    assert (shown.grade == "bad") == (verdict.outcome == "fail")


def test_a_strip_keeps_every_peak(healthy):
    record, events, verdict = healthy
    for margin, limit in zip(fed(record, events).margins, verdict.evidence.limits, strict=True):
        assert min(value for value in margin.worst if value == value) == limit.left  # noqa: PLR0124 - not a number


def test_half_way_it_says_so(healthy):
    record, events, _ = healthy
    half = next(number for number, event in enumerate(events) if event.at_s > 700.0)
    so_far = fed(record, events[:half])
    shown = now_view(so_far, BERLIN)
    assert (shown.grade, shown.saying) == ("good", "Good so far")
    assert [part.state for part in shown.stages] == ["done", "on", "ahead", "ahead"]
    assert 45.0 < shown.now < 60.0
    assert abs(so_far.ends_s - events[-1].at_s) < 15.0, "the end is known in the middle"
    last = shown.stages[-1]
    assert last.x + last.width <= 100.0
    for before, after in zip(shown.stages, shown.stages[1:], strict=False):
        assert before.x + before.width <= after.x + 0.01


def test_the_first_wrong_result_turns_it(erring):
    record, events, _ = erring
    so_far = SoFar(record, UNITS)
    for event in events:
        so_far.take(event)
        shown_bad = now_view(so_far, BERLIN).grade == "bad" if isinstance(event, Tick | StageEnded) else None
        wrong = so_far.progress.mismatches
        if shown_bad is not None:
            assert shown_bad == (wrong > 0 or any(f.weight == "fail" for f in so_far.progress.findings))
        if wrong > 1:
            break
    assert so_far.progress.mismatches


def halved(tick):
    """Only half of the time was checked."""
    half = ({"checked_s": each.checked_s / 2, "core_s": each.core_s / 2} for each in tick.workers)
    workers = tuple(each.model_copy(update=u) for each, u in zip(tick.workers, half, strict=True))
    return tick.model_copy(update={"workers": workers})


def test_time_that_is_not_checked_is_said(healthy):
    record, events, _ = healthy
    early = [event for event in events if event.at_s < 300.0]
    shown = now_view(fed(record, [halved(event) if isinstance(event, Tick) else event for event in early]), BERLIN)
    assert "only 5" in shown.good or "only 4" in shown.good, shown.good
    assert shown.saying == "Nothing wrong so far, but something is missing"


def test_marks_are_those_of_the_wall_clock_also_when_it_changes(healthy):
    """In Berlin the night of 25 October 2026 has 02:00 twice (IANA tz database)."""
    record, events, _ = healthy
    moved = record.model_copy(update={"started_utc": "2026-10-25T00:50:00.000Z"})
    told = [text for _, text in now_view(fed(moved, events[:50]), BERLIN).marks]
    assert told == sorted(told[: told.index("02:00")]) + told[told.index("02:00") :]
    assert "02:50" not in told or told.index("02:55") < told.index("02:00")
    assert "about 02:12 CET" in now_view(fed(moved, events[:50]), BERLIN).done
