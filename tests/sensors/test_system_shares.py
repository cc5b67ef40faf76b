"""Load and stolen time of each core: shares of the time between two reads of the kernel's counters."""

from __future__ import annotations

import types
from typing import NamedTuple

import pytest

from soakd.clock import FakeClock
from soakd.sensors import system
from soakd.sensors.system import SystemSource


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
    """A psutil that only has the counters of two cores."""
    told = types.SimpleNamespace(cpu_times=lambda **_: [Times(*[0.0] * 10)] * 2)
    monkeypatch.setattr(system, "psutil", told)
    monkeypatch.setattr(system, "_ONLINE", tmp_path / "not there")
    return told


def every_channel_speaks(source):
    values, gaps = source.read()
    assert sorted([*values, *gaps]) == sorted(channel.name for channel in source.channels())
    return values, gaps


# Columns: seconds of one core since the last read (proc(5), /proc/stat), load and stolen share in percent.
@pytest.mark.parametrize(
    ("spent", "load", "stolen"),
    [
        (Times(0, 0, 0, 1, 0, 0, 0, 0, 0, 0), 0.0, 0.0),
        (Times(1, 0, 0, 0, 0, 0, 0, 0, 0, 0), 100.0, 0.0),
        (Times(0.5, 0, 0.1, 0.2, 0.1, 0, 0, 0.1, 0, 0), 60.0, 10.0),
        (Times(1, 0, 0, 1, 0, 0, 0, 0, 1, 0), 50.0, 0.0),  # guest time is inside user time already
        (Times(0, 0, 0, 1, -0.5, 0, 0, 0, 0, 0), 0.0, 0.0),  # iowait may go back
        (Times(0, 0, 0, 0, 0, 0, 0, 1, 0, 0), 0.0, 100.0),
        (Times(0.1, 0.1, 0.1, 0.6, 0, 0.05, 0.05, 0, 0, 0), 40.0, 0.0),
    ],
)
def test_load_and_stolen_time_are_shares_of_the_time_between_two_reads(answers, spent, load, stolen):
    clock = FakeClock()
    base = Times(*[100.0] * 10)
    answers.cpu_times = lambda **_: [base]
    source = SystemSource(clock)
    answers.cpu_times = lambda **_: [Times(*(old + new for old, new in zip(base, spent, strict=True)))]
    clock.advance(1.0)
    values, _ = source.read()
    (core,) = (name.removeprefix("psutil/load ") for name in values if "load" in name)
    assert values[f"psutil/load {core}"] == pytest.approx(load)
    assert values[f"psutil/stolen {core}"] == pytest.approx(stolen)


def test_shares_wait_for_half_a_second_and_then_stand_for_half_a_second(answers):
    clock = FakeClock()
    source = SystemSource(clock)
    answers.cpu_times = lambda **_: [Times(1.0, *[0.0] * 9)] * 2
    clock.advance(0.4)
    _, gaps = every_channel_speaks(source)
    assert set(gaps.values()) == {"for now: a share needs two reads at least half a second apart"}
    clock.advance(0.2)
    assert source.read()[0]["psutil/load 0"] == 100.0
    answers.cpu_times = lambda **_: [Times(1.0, 0.0, 0.0, 1.0, *[0.0] * 6)] * 2
    clock.advance(0.4)
    assert source.read()[0]["psutil/load 0"] == 100.0
    clock.advance(0.2)
    assert source.read()[0]["psutil/load 0"] == 0.0


def test_counters_that_stand_still_are_a_gap_and_never_the_last_value(answers):
    clock = FakeClock()
    source = SystemSource(clock)
    answers.cpu_times = lambda **_: [Times(1.0, *[0.0] * 9)] * 2
    clock.advance(1.0)
    source.read()
    clock.advance(1.0)
    _, gaps = every_channel_speaks(source)
    assert gaps["psutil/load 1"] == "the kernel counted no time on this core"


def test_a_core_that_is_switched_off_takes_no_other_cores_name(answers):
    clock = FakeClock()
    source = SystemSource(clock)
    answers.cpu_times = lambda **_: [Times(1.0, *[0.0] * 9)]
    clock.advance(1.0)
    values, gaps = every_channel_speaks(source)
    assert values == {}
    assert gaps["psutil/load 0"] == "the kernel counts 1 cores now and counted 2 before"
