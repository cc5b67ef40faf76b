"""What the virtual sensors show: steps and scatter as the file says, drawn from the seed."""

from __future__ import annotations

import statistics

import pytest
from virtual_parts import Always, lantern, sheet

from soakd.virtual.bench import Bench
from soakd.virtual.sensors import Sensors

CPU, POWER, PUMP = "hwmon/lantern/CPU", "hwmon/lantern/Package", "hwmon/lantern/Pump"
STILL = {"temperature": "0 K", "power": "0 W", "current": "0 A", "voltage": "0 V", "speed": "0 rpm"}


def looks(count=2000, seed=1, every_s=1.0, **changes):
    """At rest, where nothing moves."""
    bench = Bench(lantern(**changes), sheet(), seed=seed)
    sensors, found = Sensors(bench), []
    for number in range(count):
        bench.advance(number * every_s)
        found.append(sensors.look())
    return bench, found


def test_readings_come_in_steps_and_scatter_as_declared():
    """Standard deviation of scatter and step together, within 5 standard errors; the mean is the truth."""
    bench, found = looks()
    for channel, truth, step, scatter in (
        (CPU, 1000.0 * bench.hottest_c, 125, 150.0),
        (POWER, 1e6 * bench.power_w, 100_000, 200_000.0),
        (PUMP, 2400.0, 1, 4.0),
    ):
        readings = [look[channel] for look in found]
        assert {reading % step for reading in readings} == {0}, channel
        wanted = (scatter**2 + step**2 / 12.0) ** 0.5
        assert statistics.stdev(readings) == pytest.approx(wanted, rel=5.0 / 63.0), channel
        assert statistics.fmean(readings) == pytest.approx(truth, abs=5.0 * wanted / 2000**0.5), channel
        assert abs(statistics.correlation(readings[:-1], readings[1:])) < 0.11, channel


def test_a_bench_may_have_no_scatter():
    bench, found = looks(4, scatter=STILL)
    assert found[1] == found[2] == found[3]
    assert found[1][CPU] == round(bench.shown_c * 1000.0)


def test_a_coarser_sensor_shows_coarser_steps():
    _, found = looks(50, resolution={"temperature": "1 K", "speed": "30 rpm"})
    assert {look[CPU] % 1000 for look in found} == {0}
    assert {look[PUMP] % 30 for look in found} == {0}


def test_the_same_seed_reads_the_same_and_so_do_two_sensors_at_one_moment():
    assert looks(20)[1] == looks(20)[1] != looks(20, seed=2)[1]
    bench = Bench(lantern(), sheet())
    bench.advance(7.0)
    assert Sensors(bench).look() == Sensors(bench).look()


def test_what_stands_still_is_read_as_standing_still():
    _, found = looks(20, fault=[{"what": "pump-fails", "at": "0 s"}])
    assert {look[PUMP] for look in found[1:]} == {0}


def test_power_is_the_mean_since_the_look_before():
    """As a counter of energy tells it: a load for two of ten seconds is a fifth of what it takes, and the rest."""
    bench = Bench(lantern(scatter=STILL), sheet())
    sensors = Sensors(bench)
    at_rest_w = sensors.look()[POWER] / 1e6
    bench.load = Always(range(6))
    bench.advance(2.0)
    loaded_w, bench.load = bench.power_w, None
    bench.advance(10.0)
    assert sensors.look()[POWER] / 1e6 == pytest.approx(0.2 * loaded_w + 0.8 * at_rest_w, rel=0.03)
    assert bench.power_w < 1.2 * at_rest_w
