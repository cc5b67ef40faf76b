"""What cannot be believed, is old, or never came is a gap with a reason; everything else is a value."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_parts import CPU, channel

from soakd.model.channels import Batch, Role
from soakd.rules.board import Board
from soakd.rules.health import Health
from soakd.rules.stillness import FROZEN_AFTER_S, TREMBLING_AFTER_S

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
    fresh = [Health([channel("x", role)]).sift(batch(1.0, {"x": value})).values for value in good]
    assert fresh == [{"x": value} for value in good]
    for value in absurd:
        sifted = Health([channel("x", role)]).sift(batch(1.0, {"x": value}))
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


@pytest.mark.parametrize(
    "role", [Role.COOLANT_TEMPERATURE, Role.BOARD_TEMPERATURE, Role.OTHER_TEMPERATURE, Role.PACKAGE_POWER, Role.FAN]
)
def test_what_may_well_stand_still_is_believed_for_ever(role):
    """A coolant is slow or controlled, a virtual machine's board sensor may be a constant: neither is a fault."""
    health = Health([channel("x", role)])
    told = []
    for at_s in range(0, 7200, 60):
        health.load_changed(at_s, everywhere=True)
        told.append("x" in health.sift(batch(at_s, {"x": 30.0})).values)
    assert all(told)


TREMBLED = 10.0 + TREMBLING_AFTER_S


def trembling(readings, *, everywhere):
    """Whether each reading was believed; the load changes at 10 s, between the second and the third."""
    health = Health([channel()])
    told = []
    for number, (at_s, value) in enumerate(readings):
        if number == 2:
            health.load_changed(10.0, everywhere=everywhere)
        told.append(CPU in health.sift(batch(at_s, {CPU: value})).values)
    return told


@pytest.mark.parametrize(
    ("readings", "everywhere", "told"),
    [
        pytest.param(
            [(8, 50), (9, 51), (20, 50), (TREMBLED - 1, 51), (TREMBLED, 50)], True, [True] * 4 + [False], id="1"
        ),
        pytest.param(
            [(8, 50), (9, 51), (20, 50), (TREMBLED, 51)], False, [True] * 4, id="a few cores may be as little"
        ),
        pytest.param([(8, 50), (9, 51), (20, 52), (TREMBLED, 53)], True, [True] * 4, id="it rose by two steps"),
        pytest.param([(8, 50), (9, 50), (20, 78), (TREMBLED, 78)], True, [True] * 4, id="one step, and a large one"),
        pytest.param([(8, 50), (9, 50.125), (20, 50), (TREMBLED, 50.125)], True, [True] * 3 + [False], id="fine"),
        pytest.param([(8, 50), (9, 50.125), (20, 50.5), (TREMBLED, 50.25)], True, [True] * 4, id="fine, and it moves"),
    ],
)
def test_a_sensor_that_moves_by_no_more_than_its_resolution_while_all_cores_go_to_work_is_frozen(
    readings, everywhere, told
):
    assert trembling(readings, everywhere=everywhere) == told


@given(
    st.lists(st.tuples(st.floats(0.05, 60.0), st.integers(0, 6)), min_size=20, max_size=80),
    st.sampled_from([1.0, 0.125]),
)
def test_a_sensor_that_follows_the_load_is_never_called_frozen(steps, grid_k):
    """Five readings about 40 °C at rest, five about 70 °C at work, and so on; as noisy as it likes on its own grid."""
    health, now_s = Health([channel()]), 0.0
    for number, (step_s, noise) in enumerate(steps):
        works = number // 5 % 2 == 1
        if works and number % 5 == 0:
            health.load_changed(now_s, everywhere=True)
        now_s += step_s
        assert health.sift(batch(now_s, {CPU: (70.0 if works else 40.0) + noise * grid_k})).gaps == {}


@pytest.mark.parametrize(
    ("role", "readings", "told"),
    [
        pytest.param(Role.CPU_TEMPERATURE, [(1, 35), (1.1, 110)], [True, True], id="a die may"),
        pytest.param(Role.CPU_TEMPERATURE, [(1, 35), (2, 140)], [True, False], id="this far it may not"),
        pytest.param(Role.CPU_TEMPERATURE, [(1, 100), (2, -30)], [True, False], id="nor down"),
        pytest.param(Role.CPU_TEMPERATURE, [(1, 35), (2, 140), (3, 36)], [True, False, True], id="a wild one"),
        pytest.param(Role.CPU_TEMPERATURE, [(1, 35), (2, 140), (3, 140)], [True, False, True], id="it stays there"),
        pytest.param(Role.COOLANT_TEMPERATURE, [(1, 25), (2, 34)], [True, True], id="a warm slug"),
        pytest.param(Role.COOLANT_TEMPERATURE, [(1, 25), (2, 36), (5, 36)], [True, False, True], id="coolant"),
        pytest.param(Role.MEMORY_TEMPERATURE, [(1, 40), (2, 60)], [True, False], id="a memory module"),
        pytest.param(Role.OTHER_TEMPERATURE, [(1, 20), (2, 140)], [True, True], id="nobody knows what it sits on"),
        pytest.param(Role.FAN, [(1, 0), (2, 30_000)], [True, True], id="only temperatures"),
        pytest.param(Role.COOLANT_TEMPERATURE, [(1, 25), (600, 60)], [True, True], id="after a long gap"),
    ],
)
def test_a_step_that_heat_cannot_make_is_a_gap_until_there_was_time_for_it(role, readings, told):
    """The steps: derived in soakd/rules/health.py; common practice, no source."""
    health = Health([channel("x", role)])
    sifted = [health.sift(batch(float(at_s), {"x": float(value)})) for at_s, value in readings]
    assert ["x" in each.values for each in sifted] == told
    assert all(each.gaps["x"].startswith("jumped: ") for each in sifted if each.gaps)


@given(st.lists(st.tuples(st.floats(0.05, 5.0), st.floats(-59.0, 149.0)), min_size=1, max_size=40))
def test_a_temperature_that_stays_is_believed_within_seconds_however_it_came_there(steps):
    """A limit may be late by that, and never be silenced: at most 208 K are caught up at 20 K a second."""
    health, now_s = Health([channel()]), 0.0
    for step_s, value in steps:
        now_s += step_s
        health.sift(batch(now_s, {CPU: value}))
    assert CPU in health.sift(batch(now_s + 6.5, {CPU: steps[-1][1]})).values


def test_remarks_of_channels_that_the_bench_knows_pass():
    raw = Batch(source="s", at_s=1.0, values={}, gaps={}, remarks={CPU: "hot", "ghost": "boo"})
    assert Health([channel()]).sift(raw).remarks == {CPU: "hot"}
