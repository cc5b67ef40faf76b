"""The psutil source: what it makes of psutil's answers, of missing functions and of failures."""

from __future__ import annotations

import types
from typing import NamedTuple

import psutil
import pytest
from bench_tree import Chip, make_hwmon

from soakd.clock import FakeClock, SystemClock
from soakd.model.channels import Role
from soakd.sensors import system
from soakd.sensors.hwmon import inputs_under
from soakd.sensors.system import SystemSource

FUNCTIONS = {
    "sensors_temperatures": {"psutil/k10temp/Tctl"},
    "sensors_fans": {"psutil/board/cpu"},
    "sensors_battery": {"psutil/battery"},
    "cpu_freq": {"psutil/clock group 0"},
    "cpu_times": {"psutil/load 0", "psutil/stolen 0"},
    "virtual_memory": {"psutil/memory available"},
    "swap_memory": {"psutil/swap traffic"},
}
"""Function of psutil to the channels that it alone gives, on the bench of `full_answers`."""
GONE = "psutil does not show it any more"


class Temperature(NamedTuple):
    label: str
    current: float
    high: float | None
    critical: float | None


class Fan(NamedTuple):
    label: str
    current: int


class Clock(NamedTuple):
    current: float
    min: float
    max: float


class Times(NamedTuple):
    """Seconds, as psutil names the columns of /proc/stat (proc(5))."""

    user: float
    nice: float
    system: float
    idle: float
    iowait: float
    irq: float
    softirq: float
    steal: float
    guest: float
    guest_nice: float


@pytest.fixture
def answers(monkeypatch, tmp_path):
    """Scripted answers of psutil on a bench without hwmon; a missing one is a function that psutil lacks."""
    told = types.SimpleNamespace(
        sensors_temperatures=lambda: {"k10temp": [Temperature("Tctl", 45.0, None, 95.0)]},
        cpu_times=lambda **_: [Times(*[0.0] * 10)] * 2,
    )
    monkeypatch.setattr(system, "psutil", told)
    monkeypatch.setattr(system, "inputs_under", list)
    monkeypatch.setattr(system, "_ONLINE", tmp_path / "not there")
    return told


@pytest.fixture
def full_answers(answers):
    """Every function that is asked, with one channel or pair each."""
    answers.sensors_fans = lambda: {"board": [Fan("cpu", 900)]}
    answers.sensors_battery = lambda: types.SimpleNamespace(percent=80, power_plugged=None)
    answers.cpu_freq = lambda **_: [Clock(3600.0, 0, 0)]
    answers.cpu_times = lambda **_: [Times(*[0.0] * 10)]
    answers.virtual_memory = lambda: types.SimpleNamespace(available=2**30)
    answers.swap_memory = lambda: types.SimpleNamespace(sin=2**20, sout=2**21)
    return answers


def failing_with(error):
    def fail(**_):
        raise error

    return fail


def named(source):
    return {channel.name: channel for channel in source.channels()}


def every_channel_speaks(source):
    values, gaps = source.read()
    names = sorted(named(source))
    assert sorted([*values, *gaps]) == names
    return values, gaps


def test_this_machine_shows_memory_and_loads_between_0_and_100():
    clock = SystemClock()
    source = SystemSource(clock)
    assert every_channel_speaks(source)[0]["psutil/memory available"] > 0
    clock.sleep(0.55)
    values, _ = every_channel_speaks(source)
    shares = [c.name for c in source.channels() if c.role in {Role.CORE_LOAD, Role.STOLEN_TIME}]
    assert len(shares) >= psutil.cpu_count()
    assert all(0.0 <= values[name] <= 100.0 for name in shares)


@pytest.mark.parametrize(("function", "lacking"), FUNCTIONS.items())
def test_psutil_without_a_function_lacks_its_channels_and_no_others(full_answers, function, lacking):
    everything = set(named(SystemSource(FakeClock())))
    assert everything == set().union(*FUNCTIONS.values())
    delattr(full_answers, function)
    source = SystemSource(FakeClock())
    every_channel_speaks(source)
    assert set(named(source)) == everything - lacking


@pytest.mark.parametrize("error", [OSError(5, "Input/output error"), NotImplementedError("here"), KeyError("x")])
@pytest.mark.parametrize(("function", "lacking"), FUNCTIONS.items())
def test_a_function_that_fails_from_the_start_lacks_its_channels_and_no_others(full_answers, function, lacking, error):
    everything = set(named(SystemSource(FakeClock())))
    setattr(full_answers, function, failing_with(error))
    source = SystemSource(FakeClock())
    every_channel_speaks(source)
    assert set(named(source)) == everything - lacking


@pytest.mark.parametrize(("function", "silent"), FUNCTIONS.items())
def test_a_function_that_begins_to_fail_silences_its_channels_and_no_others(full_answers, function, silent):
    clock = FakeClock()
    source = SystemSource(clock)
    full_answers.cpu_times = lambda **_: [Times(1.0, *[0.0] * 9)]
    setattr(full_answers, function, failing_with(OSError("proc is gone")))
    clock.advance(1.0)
    values, gaps = every_channel_speaks(source)
    assert gaps == dict.fromkeys(silent, "psutil failed: OSError: proc is gone")
    assert set(values) == set(named(source)) - silent


@pytest.mark.parametrize("function", FUNCTIONS)
def test_the_real_psutil_without_a_function_raises_nothing(monkeypatch, function):
    monkeypatch.delattr(psutil, function)
    source = SystemSource(FakeClock())
    assert named(source)
    every_channel_speaks(source)


def test_a_sensor_that_psutil_drops_is_a_gap_within_a_second(answers):
    clock = FakeClock()
    source = SystemSource(clock)
    answers.sensors_temperatures = dict
    clock.advance(0.5)
    assert source.read()[0]["psutil/k10temp/Tctl"] == 45.0
    clock.advance(0.5)
    values, gaps = every_channel_speaks(source)
    assert "psutil/k10temp/Tctl" not in values
    assert gaps["psutil/k10temp/Tctl"] == GONE


def test_temperatures_are_read_at_most_once_a_second_on_any_grid(answers):
    clock = FakeClock()
    calls = []

    def asked():
        calls.append(clock.monotonic())
        return {"k10temp": [Temperature("Tctl", 45.0, None, None)]}

    answers.sensors_temperatures = asked
    source = SystemSource(clock)
    for _ in range(100):
        source.read()
        clock.advance(0.1)
    assert 10 <= len(calls) <= 12
    del calls[:]
    for _ in range(10):
        clock.advance(0.99)  # a grid of one second whose points come early now and then
        source.read()
    assert len(calls) == 10


def test_a_sensor_that_comes_later_makes_no_channel(answers):
    clock = FakeClock()
    source = SystemSource(clock)
    answers.sensors_temperatures = lambda: {
        "k10temp": [Temperature("Tctl", 46.0, None, None)],
        "usb": [Temperature("", 20.0, None, None)],
    }
    clock.advance(2.0)
    assert source.read()[0] == {"psutil/k10temp/Tctl": 46.0}


def test_sensors_with_one_label_are_one_channel_with_the_worst_of_them_and_its_lowest_critical(answers):
    drives = [Temperature("Composite", t, None, c) for t, c in ((38.0, 84.8), (61.0, 127.0), (40.0, 81.8))]
    answers.sensors_temperatures = lambda: {"nvme": drives, "acpitz": [Temperature("", 27.8, None, None)]}
    answers.sensors_fans = lambda: {"nct6799": [Fan("", 900), Fan("", 0), Fan("pump", 2800)]}
    source = SystemSource(FakeClock())
    assert source.read()[0] == {
        "psutil/nvme/Composite, highest of 3": 61.0,
        "psutil/acpitz/temp": 27.8,
        "psutil/nct6799/fan, lowest of 2": 0.0,
        "psutil/nct6799/pump": 2800.0,
    }
    assert named(source)["psutil/nvme/Composite, highest of 3"].critical == 81.8


def test_one_of_several_sensors_with_one_label_going_is_a_gap_and_never_another_ones_reading(answers):
    clock = FakeClock()
    answers.sensors_temperatures = lambda: {"nvme": [Temperature("", t, None, None) for t in (61.0, 38.0)]}
    source = SystemSource(clock)
    answers.sensors_temperatures = lambda: {"nvme": [Temperature("", 38.0, None, None)]}
    clock.advance(1.0)
    values, gaps = every_channel_speaks(source)
    assert (values, gaps["psutil/nvme/temp, highest of 2"]) == ({}, GONE)


@pytest.mark.parametrize("stated", [None, 0.0, -273.15, 127.0, 121_000.0])
def test_an_implausible_critical_value_is_not_taken_over(answers, stated):
    answers.sensors_temperatures = lambda: {"k10temp": [Temperature("Tctl", 45.0, None, stated)]}
    assert named(SystemSource(FakeClock()))["psutil/k10temp/Tctl"].critical is None


def test_what_hwmon_has_need_not_be_shown_a_second_time(answers, monkeypatch, tmp_path):
    root = make_hwmon(tmp_path / "hwmon", [Chip(driver="k10temp", files={"temp1_input": 45000})])
    answers.sensors_fans = lambda: {"board": [Fan("cpu", 900)]}
    monkeypatch.setattr(system, "inputs_under", lambda: inputs_under(root))
    alone = {"psutil/load 0", "psutil/load 1", "psutil/stolen 0", "psutil/stolen 1", "psutil/board/cpu"}
    assert set(named(SystemSource(FakeClock(), beside_hwmon=False))) == alone
    assert set(named(SystemSource(FakeClock()))) == {*alone, "psutil/k10temp/Tctl"}


@pytest.mark.parametrize(
    ("online", "names"),
    [("0-1\n", ["0", "1"]), ("0,2\n", ["0", "2"]), ("4-5", ["4", "5"]), ("0-3", ["0", "1"]), (None, ["0", "1"])],
)
def test_cores_have_the_kernels_numbers_where_it_shows_them(answers, monkeypatch, tmp_path, online, names):
    if online is not None:
        (tmp_path / "online").write_text(online)
    monkeypatch.setattr(system, "_ONLINE", tmp_path / "online")
    channels = SystemSource(FakeClock()).channels()
    assert [c.name.split()[-1] for c in channels if c.role is Role.CORE_LOAD] == names


def test_clocks_of_groups_of_cores_are_not_called_clocks_of_cores(answers, monkeypatch, tmp_path):
    (tmp_path / "online").write_text("0-1")
    monkeypatch.setattr(system, "_ONLINE", tmp_path / "online")
    answers.cpu_freq = lambda **_: [Clock(3600.0, 0, 0), Clock(5500.0, 0, 0)]
    assert {"psutil/clock 0", "psutil/clock 1"} <= set(named(SystemSource(FakeClock())))
    answers.cpu_freq = lambda **_: [Clock(3600.0, 0, 0), Clock(5500.0, 0, 0), Clock(0.0, 0, 0)]
    clocks = [name for name in named(SystemSource(FakeClock())) if "clock" in name]
    assert clocks == ["psutil/clock group 0", "psutil/clock group 1"]


@pytest.mark.parametrize(
    ("plugged", "expected"),
    [
        (True, {"psutil/battery": 80.0, "psutil/mains": 1.0}),
        (False, {"psutil/battery": 80.0, "psutil/mains": 0.0}),
        (None, {"psutil/battery": 80.0}),
    ],
)
def test_a_battery_says_its_charge_and_whether_the_mains_are_there(answers, plugged, expected):
    answers.sensors_battery = lambda: types.SimpleNamespace(percent=80, power_plugged=plugged)
    answers.sensors_temperatures = dict
    assert SystemSource(FakeClock()).read()[0] == expected
