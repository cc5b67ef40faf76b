"""The queue in words, and the coming night on one line, as the clock on the bench's wall shows it."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from soakd.model.entry import After, At, AtBoot, Checked, Cron, Entry, EntryAsk, EntryState, Now, Window
from soakd.model.plan import Plan, Stage
from soakd.report.asked import asked_lines
from soakd.report.queued import night_until, queue_view, when_text
from soakd.rules.ahead import Ahead

BERLIN = ZoneInfo("Europe/Berlin")
EVENING = datetime(2026, 11, 25, 21, 0, tzinfo=BERLIN).astimezone(UTC)
NIGHTLY = Window(opens="23:00", closes="07:00", zone="Europe/Berlin")


def every_four_hours(_, after):
    here = after.astimezone(BERLIN).replace(minute=0, second=0, microsecond=0)
    return here + timedelta(hours=4 - here.hour % 4)


AHEAD = Ahead(zone=ZoneInfo, cron_next=every_four_hours)


def plan(hours=1.0, name="P"):
    return Plan(version=1, name=name, stages=(Stage(name="s", workload="integer", duration=hours * 3600 - 3.0),))


def entry(name, when=None, *, hours=1.0, due=EVENING, place=1, **more):
    due_utc = None if due is None else due.isoformat()
    fields = {"plan": plan(hours, name), "when": when or Now(), "place": place, "due_utc": due_utc, **more}
    return Entry(entry_id=name, created_utc="", **fields)


def view(*entries, now=EVENING, **more):
    return queue_view(entries, now, BERLIN, AHEAD, **more)


def test_what_runs_stands_first_then_what_starts_first_then_what_hangs_on_something_then_what_is_held():
    shown = view(
        entry("held", state=EntryState.HELD, reason="held by hand"),
        entry("boot", AtBoot(not_before_boot="b"), due=None),
        entry("late", place=2),
        entry("early"),
        entry("on", state=EntryState.RUNNING),
        busy_until=EVENING + timedelta(minutes=30),
    )
    told = [(each.entry_id, each.state, each.begin and each.begin[1], each.starts) for each in shown.entries]
    assert told == [
        ("on", "running", "Wed 2026-11-25 21:00 CET", "now"),
        ("early", "waiting", "Wed 2026-11-25 21:30 CET", "in 30 min"),
        ("late", "waiting", "Wed 2026-11-25 22:30 CET", "in 1 h 30 min"),
        ("boot", "waiting", None, "until then no moment can be told"),
        ("held", "held", None, "held by hand"),
    ]


def test_only_two_that_could_change_places_are_offered_to():
    eleven = EVENING + timedelta(hours=2)
    asked = At(local="2026-11-25 23:00", zone="Europe/Berlin", instant_utc=eleven.isoformat())
    shown = view(entry("a"), entry("b", place=2), entry("at", asked, due=eleven, place=3))
    offers = {each.entry_id: (each.earlier, each.later) for each in shown.entries}
    assert offers == {"a": (None, "b"), "b": ("a", None), "at": (None, None)}
    crowded = view(entry("a", hours=3.0), entry("b", place=2), entry("at", asked, due=eleven, place=3))
    assert {each.entry_id: (each.earlier, each.later) for each in crowded.entries}["at"] == ("b", None)


@pytest.mark.parametrize(
    ("now", "until"),
    [("2026-11-25 13:00", "2026-11-26 12:00"), ("2026-11-25 23:00", "2026-11-26 12:00"),
     ("2026-11-26 01:00", "2026-11-26 12:00"), ("2026-11-26 05:00", "2026-11-27 12:00"),
     ("2026-10-24 22:00", "2026-10-25 12:00"), ("2027-03-27 22:00", "2027-03-28 12:00")],
)  # fmt: skip
def test_the_coming_night_ends_at_noon_on_the_wall(now, until):
    moment = night_until(datetime.fromisoformat(now).replace(tzinfo=BERLIN).astimezone(UTC), BERLIN)
    assert f"{moment.astimezone(BERLIN):%Y-%m-%d %H:%M}" == until


def test_a_bar_lies_where_its_run_is_and_says_when():
    night = view(entry("long", NIGHTLY, hours=9.0, due=EVENING + timedelta(hours=2), count=None)).night
    (lane,) = night.lanes
    (bar,) = lane.bars
    assert (bar.x, bar.width) == pytest.approx((100 * 2 / 15, 100 * 8 / 15), abs=0.01)
    assert bar.cut
    (opening,) = lane.openings
    assert opening == pytest.approx((bar.x, bar.width))
    assert lane.says == "Wed 23:00 CET to Thu 07:00 CET, stopped as its window closes"
    assert [(mark.text, mark.day) for mark in night.marks] == [
        ("00:00", "Thu 26"), ("03:00", ""), ("06:00", ""), ("09:00", "")
    ]  # fmt: skip
    assert night.jumps == ()


def test_many_runs_of_one_entry_are_told_by_their_beginnings():
    when = Cron(expression="x", zone="Europe/Berlin")
    night = view(entry("cron", when, due=every_four_hours(None, EVENING), count=None, hours=0.5)).night
    assert night.lanes[0].says == "3 runs, about 30 min each: Thu 00:00, 04:00, 08:00 CET"


@pytest.mark.parametrize(
    ("evening", "hours", "jump"),
    [
        ("2026-10-24 21:00", ["00:00", "03:00", "06:00", "09:00"],
         "On Sun 25 at 03:00 CEST the clocks go back to 02:00 CET."),
        ("2027-03-27 21:00", ["22:00", "00:00", "04:00", "06:00", "08:00", "10:00"],
         "On Sun 28 at 02:00 CET the clocks go forward to 03:00 CEST."),
    ],
)  # fmt: skip
def test_where_the_clocks_are_changed_the_wall_is_shown_right(evening, hours, jump):
    now = datetime.fromisoformat(evening).replace(tzinfo=BERLIN).astimezone(UTC)
    night = view(entry("long", NIGHTLY, hours=12.0, due=now + timedelta(hours=2), count=None), now=now).night
    assert night.jumps == (jump,)
    assert [mark.text for mark in night.marks] == hours
    span = (datetime.fromisoformat(night.end_utc) - now).total_seconds()
    for mark in night.marks:
        at = now + timedelta(seconds=mark.x * span / 100.0 + 1.0)
        assert f"{at.astimezone(BERLIN):%H:%M}" == mark.text


def test_what_runs_is_on_from_now_and_what_does_not_fit_on_the_line_is_counted():
    on = entry("on", state=EntryState.RUNNING)
    night = view(on, *(entry(f"e{n}", place=n, hours=0.2) for n in range(15)), busy_until=EVENING + timedelta(hours=1))
    assert night.night.lanes[0].says == "now, until Wed 22:00 CET"
    assert night.night.lanes[0].running
    assert (len(night.night.lanes), night.night.more) == (12, 4)
    assert night.total == "16 runs, 4 h of load"


def test_every_way_to_ask_has_its_words():
    assert when_text(Now()) == "as soon as the bench is free"
    assert when_text(NIGHTLY) == "daily 23:00-07:00 Europe/Berlin, then stopped"
    assert when_text(After(entry_id="x")) == "after entry x has passed"
    assert when_text(AtBoot(not_before_boot="b")) == "2 min after the machine's next start"


def asked(checked, *entries, hours=1.0, **ask):
    request = EntryAsk(plan=plan(hours), **ask)
    return list(asked_lines(request, checked, entries, EVENING, BERLIN, AHEAD))


def test_what_a_request_would_come_to():
    now = Checked(when=Now(), due_utc=EVENING.isoformat(), count=1)
    assert asked(now) == ["P: 1 stage, about 1 h, without a sheet.", "It would start at once."]
    behind = asked(now, entry("a"), entry("b", place=2))
    assert behind[1] == "It would start about Wed 2026-11-25 23:00 CET after 2 other runs."
    assert asked(now, entry("a"), priority=1)[1] == "It would start at once."


def test_a_window_that_is_too_short_is_told_before():
    due = EVENING + timedelta(hours=2)
    lines = asked(Checked(when=NIGHTLY, due_utc=due.isoformat(), count=None), hours=9.0)
    assert lines[1:] == [
        "It would start about Wed 2026-11-25 23:00 CET.",
        "Its window leaves it 8 h: it would be stopped before it is through, and that is no pass.",
        "It goes on in every opening until it is cancelled, next Thu 2026-11-26 23:00 CET.",
    ]


def test_a_start_that_hangs_on_something_is_said_to():
    boot = AtBoot(not_before_boot="b")
    lines = asked(Checked(when=boot, due_utc=None, count=1))
    assert lines[1] == "It would start 2 min after the machine's next start; no moment can be told."
