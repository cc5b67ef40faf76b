"""The queue played forward: what will probably run when, and how an entry is put before or after another."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakd.model.entry import After, At, AtBoot, Cron, Entry, EntryState, Now, Window
from soakd.model.plan import Plan, Stage
from soakd.rules.ahead import Ahead, lasting, moved

BERLIN = ZoneInfo("Europe/Berlin")
EVENING = datetime(2026, 11, 25, 21, 0, tzinfo=BERLIN)
NOON = datetime(2026, 11, 26, 12, 0, tzinfo=BERLIN)


def at_three(_, after):
    """A cron of every day at 03:00."""
    day = after.astimezone(BERLIN).replace(hour=3, minute=0, second=0, microsecond=0)
    return day if day > after else day + timedelta(days=1)


AHEAD = Ahead(zone=ZoneInfo, cron_next=at_three)


def entry(name, when=None, *, hours=1.0, due=EVENING, place=1, **more):
    plan = Plan(version=1, name=name, stages=(Stage(name="s", workload="integer", duration=hours * 3600 - 3.0),))
    due_utc = None if due is None else due.astimezone(UTC).isoformat()
    fields = {"plan": plan, "when": when or Now(), "place": place, "due_utc": due_utc, **more}
    return Entry(entry_id=name, created_utc="", **fields)


def shown(*entries, until=NOON, **more):
    """Name, and begin and end as the clock there shows them."""
    spells = AHEAD.spells(entries, EVENING, until, **more)
    times = [[f"{each.astimezone(BERLIN):%H:%M}" for each in (spell.begin, spell.end)] for spell in spells]
    return [(spell.entry_id, *pair) for spell, pair in zip(spells, times, strict=True)]


def test_priority_then_place_then_what_is_due_longest():
    late = EVENING - timedelta(minutes=5)
    entries = [
        entry("b", place=2),
        entry("a", place=1),
        entry("c", place=2, due=late),
        entry("top", priority=1, place=9),
    ]
    assert [name for name, *_ in shown(*entries)] == ["top", "a", "c", "b"]


def test_one_run_after_another_and_nobody_starts_early():
    eleven = EVENING + timedelta(hours=2)
    asked = At(local="2026-11-25 23:00", zone="Europe/Berlin", instant_utc=eleven.astimezone(UTC).isoformat())
    assert shown(entry("now"), entry("at", asked, due=eleven, priority=5)) == [
        ("now", "21:00", "22:00"), ("at", "23:00", "00:00")
    ]  # fmt: skip
    assert shown(entry("long", hours=3.0), entry("at", asked, due=eleven)) == [
        ("long", "21:00", "00:00"), ("at", "00:00", "01:00")
    ]  # fmt: skip


def test_what_is_on_comes_first_and_what_is_held_not_at_all():
    on = entry("on", state=EntryState.RUNNING, hours=9.0)
    held = entry("held", state=EntryState.HELD)
    assert shown(entry("next"), held, on, busy_until=EVENING + timedelta(minutes=30)) == [
        ("on", "21:00", "21:30"), ("next", "21:30", "22:30")
    ]  # fmt: skip


def test_a_window_cuts_what_is_too_long_and_opens_again():
    nightly = Window(opens="23:00", closes="07:00", zone="Europe/Berlin")
    opens = EVENING + timedelta(hours=2)
    long = entry("long", nightly, hours=9.0, due=opens, count=None)
    (first, second) = AHEAD.spells([long], EVENING, EVENING + timedelta(hours=30))
    assert (first.begin, first.end, first.cut) == (opens, opens + timedelta(hours=8), True)
    assert second.begin == opens + timedelta(days=1)
    going_on = entry("on", nightly.model_copy(update={"at_end": "carry-on"}), hours=9.0, due=opens, count=None)
    assert AHEAD.spells([going_on], EVENING, NOON)[0].end == opens + timedelta(hours=9)


def test_a_window_that_closed_while_something_else_ran_waits_for_the_next():
    nightly = entry("nightly", Window(opens="23:00", closes="01:00", zone="Europe/Berlin"), due=EVENING, count=None)
    spells = AHEAD.spells([nightly, entry("long", hours=6.0, priority=1)], EVENING, EVENING + timedelta(days=2))
    assert [(each.entry_id, f"{each.begin.astimezone(BERLIN):%d %H:%M}") for each in spells] == [
        ("long", "25 21:00"), ("nightly", "26 23:00"), ("nightly", "27 23:00")
    ][: len(spells)]  # fmt: skip
    assert len(spells) >= 2


def test_cron_fires_again_and_counted_runs_end():
    every = entry("every", Cron(expression="0 3 * * *", zone="Europe/Berlin"), due=at_three(None, EVENING), count=None)
    assert shown(every, entry("twice", count=3, runs_done=1)) == [
        ("twice", "21:00", "22:00"), ("twice", "22:00", "23:00"), ("every", "03:00", "04:00")
    ]  # fmt: skip


def test_followers_come_when_the_last_run_of_the_other_is_over_and_a_boot_is_never_foreseen():
    leader = entry("leader", count=2)
    follower = entry("follower", After(entry_id="leader"), due=None)
    boot = entry("boot", AtBoot(not_before_boot="b"), due=None)
    assert [name for name, *_ in shown(follower, boot, leader)] == ["leader", "leader", "follower"]


def test_an_opening_over_the_change_of_clocks_has_nine_hours():
    window = Window(opens="23:00", closes="07:00", zone="Europe/Berlin")
    begin = datetime(2026, 10, 24, 23, 0, tzinfo=BERLIN)
    (spell,) = AHEAD.spells([entry("long", window, hours=12.0, due=begin)], begin, begin + timedelta(hours=10))
    assert spell.end.astimezone(UTC) - spell.begin.astimezone(UTC) == timedelta(hours=9)


def test_a_run_lasts_as_long_as_its_load_and_a_little():
    assert lasting(entry("x", hours=1.0).plan) == timedelta(hours=1)


RANKED = st.lists(st.tuples(st.integers(0, 3), st.integers(-1, 1)), min_size=2, max_size=6).map(
    lambda pairs: [
        entry(f"e{number}", place=place, priority=priority)
        for number, (place, priority) in enumerate(sorted(pairs, key=lambda pair: (-pair[1], pair[0])))
    ]
)


@given(RANKED, st.data(), st.booleans())
def test_a_moved_entry_stands_right_beside_the_other_and_the_rest_keep_their_order(ranked, data, after):
    one, other = data.draw(st.permutations(range(len(ranked))))[:2]
    changes = moved(ranked, ranked[one].entry_id, ranked[other].entry_id, after=after)
    ranks = {each.entry_id: (each.place, each.priority) for each in ranked} | {name: rank for name, *rank in changes}
    order = sorted(ranks, key=lambda name: (-ranks[name][1], ranks[name][0]))  # stable: as they were, where they tie
    rest = [each.entry_id for each in ranked if each is not ranked[one]]
    at = rest.index(ranked[other].entry_id) + after
    priority = ranked[other].priority
    alike = [name for name in order if ranks[name][1] == priority]
    wanted = [*rest[:at], ranked[one].entry_id, *rest[at:]]
    assert alike == [name for name in wanted if ranks[name][1] == priority]
    places = [ranks[name][0] for name in alike]
    assert places == sorted(set(places)), "nothing is left to chance"


def test_only_what_is_there_can_be_moved():
    for pair in (("a", "x"), ("x", "a"), ("a", "a")):
        with pytest.raises(LookupError):
            moved([entry("a"), entry("b")], *pair, after=False)
