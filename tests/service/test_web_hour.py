"""The last hour, minute by minute: no peak is lost, nothing grows without end."""

import math

import numpy as np
import pytest

from soakd.service.web_hour import MINUTES, Hour

NOW_S = 60.0 * 1000 + 30.0


def test_the_lowest_and_the_highest_of_each_minute_are_kept():
    hour = Hour()
    for second in range(40):
        hour.take(NOW_S - 60.0 + second, {"a": 50.0 + (40.0 if second == 7 else 0.0) - (9.0 if second == 20 else 0.0)})
    thin = hour.of("a", NOW_S)
    assert (thin.low[-2], thin.high[-2]) == (41.0, 90.0)
    assert thin.mean[-2] == pytest.approx(50.0 + 31.0 / 30.0)
    assert thin.low[-1] == 50.0, "from the full minute on it is the next one"
    assert thin.low[:-2] == [None] * (MINUTES - 2)


def test_rows_of_a_run_come_to_the_same_as_its_readings_one_by_one():
    rng = np.random.default_rng(5)
    at_s = NOW_S - 900.0 + np.arange(0.0, 900.0, 0.7)
    rows = rng.normal(60.0, 9.0, (len(at_s), 3)).astype(np.float32)
    rows[rng.random(rows.shape) < 0.2] = math.nan
    rows[100:300, 1] = math.nan
    together, single = Hour(), Hour()
    together.take_rows(at_s.tolist(), ["a", "b", "c"], rows)
    for moment_s, row in zip(at_s.tolist(), rows.tolist(), strict=True):
        single.take(moment_s, {name: value for name, value in zip("abc", row, strict=True) if not math.isnan(value)})
    for name in "abc":
        one, other = together.of(name, NOW_S), single.of(name, NOW_S)
        assert (one.low, one.high) == (other.low, other.high)
        assert one.mean == [None if value is None else pytest.approx(value) for value in other.mean]
    assert None in together.of("b", NOW_S).low[-15:], "a minute without a reading is a gap"


def test_rows_that_come_in_two_parts_join_in_their_minute():
    hour = Hour()
    hour.take_rows([NOW_S - 20.0, NOW_S - 10.0], ["a"], np.array([[1.0], [5.0]], dtype=np.float32))
    hour.take_rows([NOW_S - 5.0, NOW_S], ["a"], np.array([[9.0], [-3.0]], dtype=np.float32))
    thin = hour.of("a", NOW_S)
    assert (thin.low[-1], thin.mean[-1], thin.high[-1]) == (-3.0, 3.0, 9.0)


def test_nothing_is_taken_from_no_rows():
    hour = Hour()
    hour.take_rows([], ["a"], np.empty((0, 1), dtype=np.float32))
    hour.take_rows([NOW_S], ["a"], np.array([[math.nan]], dtype=np.float32))
    assert hour.of("a", NOW_S).low == [None] * MINUTES


def test_an_hour_is_kept_and_no_more():
    hour = Hour()
    for minute in range(3 * MINUTES):
        hour.take(60.0 * minute, {"a": float(minute), "b": 1.0} if minute < MINUTES else {"a": float(minute)})
    now_s = 60.0 * (3 * MINUTES - 1)
    assert hour.of("a", now_s).mean == [float(minute) for minute in range(2 * MINUTES, 3 * MINUTES)]
    assert len(hour._minutes["a"]) == MINUTES
    hour.forget(now_s)
    assert set(hour._minutes) == {"a"}


def test_a_wall_clock_that_was_set_back_loses_no_peak():
    hour = Hour()
    hour.take(NOW_S, {"a": 50.0})
    hour.take(NOW_S - 7200.0, {"a": 99.0})
    assert hour.of("a", NOW_S).high[-1] == 99.0
