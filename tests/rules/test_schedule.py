"""When entries start: zones and their jumps, windows, lateness. Zone rules are those of the IANA database."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakd.errors import UsageError
from soakd.model.entry import After, At, AtBoot, Cron, EntryAsk, EntryState, Now, Window
from soakd.model.plan import Plan, Stage
from soakd.rules import entries, schedule
from soakd.service.alarm import firing_after, trigger_of

BERLIN = ZoneInfo("Europe/Berlin")
ZONES = ["Europe/Berlin", "America/New_York", "Australia/Sydney", "America/Santiago", "Asia/Kolkata", "UTC"]
PLAN = Plan(version=1, name="P", stages=(Stage(name="s", workload="integer", duration=2.0),))


def utc(text):
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def night(opens="23:00", closes="07:00", zone="Europe/Berlin", **parts):
    return Window(opens=opens, closes=closes, zone=zone, **parts)


@pytest.mark.parametrize(
    ("day", "clock", "moment"),
    [
        ("2026-01-10", "23:00", "2026-01-10 22:00"),
        ("2026-07-10", "23:00", "2026-07-10 21:00"),
        ("2026-03-29", "02:30", "2026-03-29 01:30"),  # skipped: the clock shows 03:30 then
        ("2026-10-25", "02:30", "2026-10-25 00:30"),  # occurs twice: the first
    ],
)
def test_a_wall_clock_time_is_one_moment(day, clock, moment):
    assert schedule.local_instant(date.fromisoformat(day), time.fromisoformat(clock), BERLIN) == utc(moment)


@pytest.mark.parametrize(
    ("text", "now", "moment"),
    [
        ("23:00", "2026-11-24 20:00", "2026-11-24 22:00"),
        ("23:00", "2026-11-24 22:00", "2026-11-25 22:00"),  # that very minute has begun: the next one
        ("0:05", "2026-11-24 20:00", "2026-11-24 23:05"),
        ("2026-11-26 06:30", "2026-11-24 20:00", "2026-11-26 05:30"),
        ("2026-11-26T06:30", "2026-11-24 20:00", "2026-11-26 05:30"),
    ],
)
def test_at_means_the_next_time_the_clock_shows_it(text, now, moment):
    assert schedule.parse_at(text, utc(now), BERLIN) == utc(moment)


@pytest.mark.parametrize("text", ["25:00", "23", "tomorrow", "2026-02-30 10:00", "2026-11-24 19:00", ""])
def test_a_moment_that_does_not_exist_or_is_past_is_refused(text):
    with pytest.raises(ValueError, match=r"\S"):
        schedule.parse_at(text, utc("2026-11-24 20:00"), BERLIN)


@pytest.mark.parametrize(
    ("now", "opens", "closes"),
    [
        ("2026-11-24 20:00", "2026-11-24 22:00", "2026-11-25 06:00"),  # before it opens
        ("2026-11-25 03:00", "2026-11-24 22:00", "2026-11-25 06:00"),  # inside, after midnight
        ("2026-11-25 06:00", "2026-11-25 22:00", "2026-11-26 06:00"),  # the moment it closes is outside
        ("2026-03-29 00:30", "2026-03-28 22:00", "2026-03-29 05:00"),  # the short night of spring
        ("2026-10-25 00:30", "2026-10-24 21:00", "2026-10-25 06:00"),  # the long night of autumn
    ],
)
def test_a_window_through_midnight_opens_and_closes_by_the_wall_clock(now, opens, closes):
    assert schedule.opening(night(), utc(now), BERLIN) == (utc(opens), utc(closes))


@given(
    st.datetimes(utc("2024-01-01").replace(tzinfo=None), utc("2028-01-01").replace(tzinfo=None)),
    st.sampled_from(ZONES),
    st.times(), st.times(),
)  # fmt: skip
def test_an_opening_is_going_on_or_ahead_and_never_longer_than_a_day_and_an_hour(now, name, opens, closes):
    opens, closes = opens.replace(second=0, microsecond=0), closes.replace(second=0, microsecond=0)
    if opens == closes:
        return
    window = night(opens.strftime("%H:%M"), closes.strftime("%H:%M"), name)
    start, end = schedule.opening(window, now.replace(tzinfo=UTC), ZoneInfo(name))
    assert now.replace(tzinfo=UTC) < end
    assert start <= end <= start + timedelta(hours=25)


def dues(**changes):
    return {
        "zone": ZoneInfo,
        "cron_next": lambda cron, after: firing_after(cron, ZoneInfo(cron.zone), after),
        **changes,
    }


@pytest.mark.parametrize(
    ("when", "due"),
    [
        (Now(), "2026-11-24 20:00"),
        (
            At(local="2026-11-24 23:00", zone="Europe/Berlin", instant_utc="2026-11-24T22:00:00+00:00"),
            "2026-11-24 22:00",
        ),
        (night(), "2026-11-24 22:00"),
        (night("20:00", "22:00"), "2026-11-24 20:00"),  # it is 21:00 there: inside, so now
        (Cron(expression="30 5 * * wed", zone="Europe/Berlin"), "2026-11-25 04:30"),
        (AtBoot(not_before_boot="b"), None),
        (After(entry_id="x"), None),
    ],
)
def test_when_a_new_entry_may_start_first(when, due):
    first = schedule.first_due(when, utc("2026-11-24 20:00"), **dues())
    assert first == (utc(due) if due else None)


def test_a_window_starts_one_run_for_each_opening():
    """Whether it ends at half past one, with the window, or long after it, where it carries on."""
    for ended in ("2026-11-25 00:30", "2026-11-25 06:00", "2026-11-25 06:00:03", "2026-11-25 09:30"):
        assert schedule.next_due(night(), utc("2026-11-24 22:00"), utc(ended), **dues()) == utc("2026-11-25 22:00"), (
            ended
        )


@pytest.mark.parametrize(
    ("when", "due", "now", "then"),
    [
        (Now(), "2026-11-20 20:00", "2026-11-24 20:00", "2026-11-20 20:00"),
        (night(), "2026-11-24 22:00", "2026-11-25 05:59", "2026-11-24 22:00"),
        (night(), "2026-11-24 22:00", "2026-11-25 06:00", "2026-11-25 22:00"),  # it closed meanwhile: the next night
        (
            Cron(expression="0 23 * * *", zone="Europe/Berlin"),
            "2026-11-24 22:00",
            "2026-11-24 22:59",
            "2026-11-24 22:00",
        ),
        (
            Cron(expression="0 23 * * *", zone="Europe/Berlin"),
            "2026-11-24 22:00",
            "2026-11-27 08:00",
            "2026-11-27 22:00",
        ),
    ],
    ids=["now waits for ever", "still inside", "closed", "a little late", "days late: one firing, the next"],
)
def test_what_becomes_of_an_entry_that_could_not_start_when_it_was_due(when, due, now, then):
    assert schedule.overdue(when, utc(due), utc(now), **dues()) == utc(then)


def test_a_one_off_start_is_made_up_for_half_a_day_and_then_missed():
    at = At(local="2026-11-24 23:00", zone="Europe/Berlin", instant_utc="2026-11-24T22:00:00+00:00")
    due = utc("2026-11-24 22:00")
    assert schedule.overdue(at, due, due + timedelta(hours=12), **dues()) == due
    missed = schedule.overdue(at, due, due + timedelta(hours=12, seconds=1), **dues())
    assert "2026-11-24 23:00 (Europe/Berlin)" in missed


@pytest.mark.parametrize("name", ZONES)
@pytest.mark.parametrize("expression", ["0 0 * * *", "30 2 * * *", "0 23 * * *"])
def test_a_daily_cron_fires_exactly_once_on_every_day_of_four_years(name, expression):
    """Also on the days of the jumps, where cron triggers that think in zones skip a midnight or fire twice."""
    zone = ZoneInfo(name)
    moment, days = utc("2024-01-01 12:00"), []
    while moment < utc("2028-01-01 00:00"):
        moment = firing_after(Cron(expression=expression, zone=name), zone, moment)
        days.append(moment.astimezone(zone).date())
    assert days == [days[0] + timedelta(days=n) for n in range(len(days))]


@pytest.mark.parametrize(
    ("expression", "words"),
    [
        ("0 23 * *", "five fields"),
        ("0 23 * * 0", "name the weekday"),
        ("0 25 * * *", "25"),
        ("a b c d e", "cron"),
        ("0 23 * * funday", "funday"),
    ],
)
def test_a_cron_that_means_nothing_or_two_things_is_refused(expression, words):
    with pytest.raises(UsageError, match=words):
        trigger_of(expression)


def test_only_one_way_to_say_when():
    with pytest.raises(ValueError, match="only one of"):
        EntryAsk(plan=PLAN, at="23:00", window="23:00-07:00")


@pytest.mark.parametrize("state", EntryState)
@pytest.mark.parametrize("event", entries.EntryEvent)
def test_every_step_is_in_the_table_or_raises(state, event):
    if (state, event) in entries.TABLE:
        assert entries.after(state, event) is entries.TABLE[state, event]
    else:
        with pytest.raises(LookupError, match=state.value):
            entries.after(state, event)


def test_nothing_leads_out_of_an_ended_entry():
    ended = {EntryState.DONE, EntryState.CANCELLED, EntryState.MISSED}
    assert not [state for state, _ in entries.TABLE if state in ended]
