"""The one door to time, and its fake."""

from __future__ import annotations

import time

import pytest

from soakd.clock import FakeClock, SystemClock, utc_text


@pytest.mark.parametrize(
    ("wall_s", "text"),
    [
        # POSIX.1-2017, 4.16: the Epoch; RFC 3339 section 5.8, first example; time_t 1234567890 by POSIX's own formula
        (0.0, "1970-01-01T00:00:00.000Z"),
        (482_196_050.52, "1985-04-12T23:20:50.520Z"),
        (1_234_567_890.0, "2009-02-13T23:31:30.000Z"),
    ],
)
def test_records_are_stamped_in_utc_with_milliseconds(wall_s, text):
    assert utc_text(wall_s) == text


def test_the_fake_moves_only_when_told_and_sleep_moves_it():
    clock = FakeClock(wall=100.0, monotonic=5.0)
    assert (clock.wall(), clock.monotonic(), clock.suspended()) == (100.0, 5.0, 0.0)
    clock.sleep(2.0)
    clock.sleep(-1.0)
    assert (clock.wall(), clock.monotonic(), clock.suspended()) == (102.0, 7.0, 0.0)


def test_suspend_stops_the_monotonic_clock_and_nothing_else():
    """clock_gettime(2): CLOCK_MONOTONIC does not count time that the system is suspended."""
    clock = FakeClock(wall=100.0, monotonic=5.0)
    clock.suspend(60.0)
    assert (clock.wall(), clock.monotonic(), clock.suspended()) == (160.0, 5.0, 60.0)


def test_the_machine_s_clock_sleeps_at_least_as_long_as_asked():
    clock = SystemClock()
    before, slept_from = clock.monotonic(), clock.suspended()
    clock.sleep(0.01)
    clock.sleep(-1.0)
    assert clock.monotonic() - before >= 0.01
    assert clock.suspended() - slept_from == pytest.approx(0.0, abs=0.01)
    assert clock.wall() == pytest.approx(time.time(), abs=5.0)
