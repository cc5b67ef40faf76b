"""What cannot be believed, is old, or never came is a gap with a reason; everything else is a value."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_parts import CPU, channel

from soakd.model.channels import Batch, Role
from soakd.rules.board import Board
from soakd.rules.health import FROZEN_AFTER_S, Health

FAN = "hwmon/board/fan1"
CHANNELS = [channel(), channel(FAN, Role.FAN)]


def batch(at_s, values=None, gaps=None):
    return Batch(source="hwmon", at_s=at_s, values=values or {}, gaps=gaps or {})


def test_a_channel_that_never_spoke_is_a_gap():
    assert Board(CHANNELS, 1.0).read(0.0) == ({}, {CPU: "no reading yet", FAN: "no reading yet"})


def test_a_reading_stands_for_three_ticks_and_is_then_a_gap():
    board = Board(CHANNELS, 2.0)
    board.post(batch(10.0, {CPU: 70.0, FAN: 900.0}))
    assert board.read(16.0) == ({CPU: 70.0, FAN: 900.0}, {})
    assert board.read(16.01)[1] == {CPU: "no new reading", FAN: "no new reading"}


def test_on_a_fast_grid_a_reading_stands_for_a_second_because_drivers_cache():
    board = Board(CHANNELS, 0.1)
    board.post(batch(10.0, {CPU: 70.0}))
    assert CPU in board.read(11.0)[0]
    assert CPU in board.read(11.01)[1]


def test_a_stated_gap_counts_at_once_and_a_new_value_ends_it():
    board = Board(CHANNELS, 1.0)
    board.post(batch(10.0, {CPU: 70.0}))
    board.post(batch(10.5, gaps={CPU: "input/output error"}))
    assert board.read(10.6)[1][CPU] == "input/output error"
    board.post(batch(11.0, {CPU: 71.0}))
    assert board.read(11.1)[0] == {CPU: 71.0}


def test_roles_pick_their_channels():
    board = Board(CHANNELS, 1.0)
    board.post(batch(1.0, {CPU: 70.0, FAN: 900.0}))
    values, _ = board.read(1.0)
    assert board.of_role(values, Role.FAN) == {FAN: 900.0}
    assert board.of_role(values, Role.COOLANT_TEMPERATURE) == {}


POSTS = st.lists(
    st.tuples(
        st.floats(0.0, 5.0),
        st.dictionaries(st.sampled_from([CPU, FAN]), st.floats(0, 100)),
        st.dictionaries(st.sampled_from([CPU, FAN]), st.just("gone")),
    ),
    max_size=15,
)


@given(POSTS, st.floats(0.0, 10.0), st.floats(0.1, 10.0))
def test_every_channel_is_either_a_value_or_a_gap_and_never_both(posts, wait_s, tick_s):
    board, now = Board(CHANNELS, tick_s), 0.0
    for step, values, gaps in posts:
        now += step
        board.post(batch(now, values, gaps))
    values, gaps = board.read(now + wait_s)
    assert values.keys() | gaps.keys() == {CPU, FAN}
    assert not values.keys() & gaps.keys()
    assert all(gaps.values())


@pytest.mark.parametrize(
    ("role", "good", "absurd"),
    [
        (Role.CPU_TEMPERATURE, [-20.0, 0.0, 115.0], [-128.0, 255.0, math.nan, math.inf]),
        (Role.COOLANT_TEMPERATURE, [27.0], [-61.0, 151.0]),
        (Role.FAN, [0.0, 3000.0], [-1.0, 65_535.0]),
        (Role.VOLTAGE, [-12.0, 1.35, 12.1], [65.535, -100.0]),
        (Role.PROBED_CLOCK, [800.0, 5900.0], [0.0, 1e6]),
        (Role.STOLEN_TIME, [0.0, 100.0], [math.inf, math.nan]),
        (Role.SWAP_TRAFFIC, [0.0, 1e6], [-math.inf]),
    ],
)
def test_what_no_working_sensor_says_becomes_a_gap(role, good, absurd):
    """The ranges: common practice, no source."""
    health = Health([channel("x", role)])
    assert [health.sift(batch(1.0, {"x": value})).values for value in good] == [{"x": value} for value in good]
    for value in absurd:
        sifted = health.sift(batch(1.0, {"x": value}))
        assert sifted.values == {}
        assert sifted.gaps["x"].startswith("absurd: ")


def test_a_channel_that_the_bench_does_not_know_is_dropped():
    sifted = Health(CHANNELS).sift(batch(1.0, {"ghost": 1.0, CPU: 70.0}, {"other ghost": "gone", FAN: "gone"}))
    assert (sifted.values, sifted.gaps) == ({CPU: 70.0}, {FAN: "gone"})


def believed(name, readings, load_changes):
    """Whether each reading at its time was believed."""
    health, changes = Health(CHANNELS), sorted(load_changes)
    told = []
    for at_s, value in readings:
        while changes and changes[0] <= at_s:
            health.load_changed(changes.pop(0))
        told.append(name in health.sift(batch(at_s, {name: value})).values)
    return told


LATE = 10.0 + FROZEN_AFTER_S


@pytest.mark.parametrize(
    ("name", "readings", "changes", "told"),
    [
        pytest.param(CPU, [(9, 50), (10.5, 50), (LATE - 1, 50)], [10], [True] * 3, id="still within its time"),
        pytest.param(CPU, [(9, 50), (10.5, 50), (LATE, 50)], [10], [True, True, False], id="frozen"),
        pytest.param(CPU, [(9, 50), (11, 51), (LATE + 9, 51)], [10], [True] * 3, id="it moved after the load did"),
        pytest.param(CPU, [(9, 50), (LATE + 99, 50)], [], [True] * 2, id="the load never changed"),
        pytest.param(CPU, [(9, 50), (LATE, 50), (LATE + 1, 51)], [10], [True, False, True], id="it thaws"),
        pytest.param(CPU, [(9, 50), (LATE, 50)], [10, 25], [True, False], id="short stages hide nothing"),
        pytest.param(FAN, [(9, 900), (LATE + 99, 900)], [10], [True] * 2, id="a fan may run at one speed"),
    ],
)
def test_a_processor_temperature_that_ignores_the_load_is_not_believed(name, readings, changes, told):
    assert believed(name, readings, changes) == told
