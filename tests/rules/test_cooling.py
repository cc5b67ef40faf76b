"""The bench after a stop: when it has cooled, what is said when it heats instead, and when the watch is over."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_parts import CPU, channel, limit, plan

from soakd.model.channels import Role
from soakd.rules.bounds import resolve
from soakd.rules.cooling import ABOVE_K, COOL_READINGS, READINGS, SOAK_S, CoolDown

COOLANT, PHANTOM, ROOM = "hwmon/board/coolant", "hwmon/board/AUXTIN3", "hwmon/board/room"
INPUTS = [
    channel(critical=95.0), channel(COOLANT, Role.COOLANT_TEMPERATURE), channel(PHANTOM, Role.OTHER_TEMPERATURE),
    channel(ROOM, Role.AMBIENT_TEMPERATURE), channel("hwmon/board/fan1", Role.FAN),
]  # fmt: skip
GONE_S = 100.0
WATCH_S = 120.0


def cool_down(values, *, before=None, limits=(), survivors=0, **rules):
    """A bench at rest at 40 °C before the run, whose load went at 100 s at these temperatures."""
    wanted = plan(limits=limits, **rules)
    made = CoolDown(INPUTS, resolve(wanted, INPUTS)[0], wanted.guard)
    made.before(before or dict.fromkeys(values, 40.0))
    made.load_gone(GONE_S, values, survivors=survivors)
    return made


def watched(made, courses, *, seconds=300):
    """Moments at which something was found, with its channel; and when the watch was over, both since the load went."""
    found = []
    for second in range(1, seconds):
        now_s = GONE_S + second
        values = {name: course(second) for name, course in courses.items()}
        found += [(second, finding.channel) for finding in made.take(now_s, values)]
        if made.over(now_s):
            return found, second
    return found, None


def test_a_processor_that_falls_has_cooled_within_some_readings():
    made = cool_down({CPU: 90.0})
    assert not made.over(GONE_S)
    assert watched(made, {CPU: lambda s: 90.0 - 12.0 * s}) == ([], COOL_READINGS)
    assert made.last_word(GONE_S + 5.0) is None


@pytest.mark.parametrize(("gone_c", "course", "over"), [
    (90.0, lambda s: 90.0 - 0.5 * s, 22),
    (57.0, lambda s: 57.0 - 0.5 * s, 16),
    (90.0, lambda s: 90.0 - 0.1 * s, 102),
    (90.0, lambda _: 88.0, 120),
])  # fmt: skip
def test_fallen_by_so_much_or_down_to_so_much_is_cool_and_the_rest_ends_in_its_time(gone_c, course, over):
    """10 K or 50 °C by default, three readings in a row; 2 min at most."""
    assert watched(cool_down({CPU: gone_c}), {CPU: course}) == ([], over)


def test_what_has_not_cooled_in_its_time_is_said():
    made = cool_down({CPU: 90.0})
    watched(made, {CPU: lambda _: 88.0})
    finding = made.last_word(GONE_S + WATCH_S)
    assert (finding.rule, finding.weight, finding.channel, finding.sample) == ("not-cooled", "note", CPU, 88.0)
    assert "2 min after the load was gone" in finding.text


@pytest.mark.parametrize("values", [{}, {CPU: 45.0}, {CPU: 43.0, COOLANT: 41.0}, {PHANTOM: 110.0}])
def test_a_bench_that_is_cool_or_shows_no_temperature_is_not_watched(values):
    assert cool_down(values).over(GONE_S)


def test_a_temperature_that_the_run_did_not_raise_need_not_fall():
    """An input with nothing connected to it, or a drive that was warm before."""
    before = {CPU: 40.0, COOLANT: 58.0}
    made = cool_down({CPU: 45.0, COOLANT: 60.0}, before=before)
    assert made.over(GONE_S)


def test_workers_that_were_not_seen_gone_are_watched_for_the_whole_time():
    made = cool_down({CPU: 45.0}, survivors=1)
    assert watched(made, {CPU: lambda _: 45.0}) == ([], 120)


def test_a_plan_may_leave_it_out():
    made = cool_down({CPU: 90.0}, cooling_watch_s=0.0)
    assert made.over(GONE_S)
    assert made.last_word(GONE_S) is None


RISES = {
    "at once": lambda s: 90.0 + 0.5 * s,
    "after a fall that was no cooling": lambda s: 90.0 - s if s < 6 else 84.0 + 0.6 * (s - 6),
    "slowly, and far": lambda s: 90.0 + 0.06 * s,
    "in whole degrees": lambda s: round(90.0 + 0.5 * s),
    "with a wild reading": lambda s: 60.0 if s == 12 else 90.0 + 0.6 * s,
}


@pytest.mark.parametrize("course", RISES.values(), ids=RISES)
def test_a_temperature_that_goes_on_rising_is_told_once_and_watched_until_it_falls(course):
    made = cool_down({CPU: 90.0})
    found, over = watched(made, {CPU: course}, seconds=200)
    assert [name for _, name in found] == [CPU]
    assert over is None, "no time ends the watch while it heats"
    assert found[0][0] >= SOAK_S + min(READINGS, ABOVE_K)
    assert watched(made, {CPU: lambda _: 45.0}, seconds=10)[1] == COOL_READINGS


def test_it_says_how_hot_how_long_and_what_may_be_the_matter():
    made = cool_down({CPU: 90.0})
    finding = next(f for s in range(1, 60) for f in made.take(GONE_S + s, {CPU: 90.0 + 0.5 * s}))
    assert (finding.rule, finding.weight, finding.channel) == ("still-heating", "inconclusive", CPU)
    for part in ("the load has been gone for", "90.0 °C when it went", "pump or a fan", "something else loads"):
        assert part in finding.text


CALM = {
    "steady": lambda _: 90.0,
    "falling": lambda s: 90.0 - 0.2 * s,
    "a step of other work after it had cooled": lambda s: 70.0 if s < 5 else 78.0,
    "heat that was on its way": lambda s: 92.0 if s < 3 else 90.0,
    "a slow soak": lambda s: min(94.5, 90.0 + 0.05 * s),
    "to and fro": lambda s: 90.0 + (1.5 if s // 4 % 2 else -1.5),
    "one wild reading": lambda s: 130.0 if s == 20 else 90.0,
}


@pytest.mark.parametrize("course", CALM.values(), ids=CALM)
def test_what_does_not_go_on_rising_is_no_alarm(course):
    assert watched(cool_down({CPU: 90.0}), {CPU: course})[0] == []


@given(st.lists(st.floats(-0.8, 0.8), min_size=119, max_size=119))
def test_no_noise_of_a_sensor_is_an_alarm(noise):
    assert watched(cool_down({CPU: 90.0}), {CPU: lambda s: 90.0 + noise[s - 1]}, seconds=120)[0] == []


def test_below_what_counts_as_cool_nothing_is_an_alarm():
    """The coolant takes up what the block still had."""
    made = cool_down({CPU: 90.0, COOLANT: 38.0})
    assert watched(made, {CPU: lambda _: 88.0, COOLANT: lambda s: min(49.0, 38.0 + 0.4 * s)})[0] == []


def test_other_temperatures_are_watched_where_a_limit_watches_them():
    rise = {PHANTOM: lambda s: 70.0 + s, CPU: lambda _: 88.0}
    assert watched(cool_down({CPU: 90.0, PHANTOM: 70.0}), rise)[0] == []
    limits = [limit(PHANTOM, above="110 °C"), limit(above="90 °C")]
    found, _ = watched(cool_down({CPU: 90.0, PHANTOM: 70.0}, limits=limits), rise)
    assert [name for _, name in found] == [PHANTOM]
