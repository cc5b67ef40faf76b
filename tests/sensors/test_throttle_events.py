"""Thermal throttle counters (drivers/thermal/intel/therm_throt.c), where all logical cores show their package's."""

from __future__ import annotations

import shutil

import pytest
from bench_tree import put
from kernel_trees import Thread, make, throttling

from soakd.model.channels import Role
from soakd.sensors.throttling import ThrottleSource

FOUR = [Thread(core=0), Thread(core=1), Thread(core=0), Thread(core=1)]
"""Two cores of two threads, numbered as most machines do: threads of a core are not neighbours."""
PACKAGE, CORE_0, CORE_1 = ("throttling/package 0", "throttling/package 0/core 0", "throttling/package 0/core 1")


class Bench:
    def __init__(self, root, threads):
        self.root = make(root / "cpu", throttling(threads))
        self.source = ThrottleSource(self.root)

    def throttled(self, **files):
        """What is not nought when the counters (`cpu0__core_throttle_count`) stand so."""
        for place, value in files.items():
            cpu, _, file = place.partition("__")
            put(self.root / cpu / "thermal_throttle" / file, value)
        values, gaps = self.source.read()
        assert gaps == {}
        return {name: value for name, value in values.items() if value}

    def everywhere(self, file, value):
        return self.throttled(**{f"{cpu.name}__{file}": value for cpu in self.root.glob("cpu[0-9]*")})


@pytest.fixture
def four(tmp_path):
    return Bench(tmp_path, FOUR)


def test_each_package_and_each_core_is_a_channel_for_events_and_one_for_time(four):
    assert [(channel.name, channel.role) for channel in four.source.channels()] == [
        (f"{PACKAGE} events", Role.THROTTLE_EVENTS),
        (f"{PACKAGE} time", Role.THROTTLED_TIME),
        (f"{CORE_0} events", Role.THROTTLE_EVENTS),
        (f"{CORE_1} events", Role.THROTTLE_EVENTS),
        (f"{CORE_0} time", Role.THROTTLED_TIME),
        (f"{CORE_1} time", Role.THROTTLED_TIME),
    ]


def test_an_event_of_the_package_that_every_core_shows_is_one_event(four):
    assert four.everywhere("package_throttle_count", 3) == {f"{PACKAGE} events": 3.0}


def test_an_event_of_a_core_that_both_threads_show_is_one_event(four):
    assert four.throttled(cpu1__core_throttle_count=2, cpu3__core_throttle_count=2) == {f"{CORE_1} events": 2.0}


def test_time_is_given_in_seconds(four):
    assert four.everywhere("package_throttle_total_time_ms", 1250) == {f"{PACKAGE} time": 1.25}


def test_what_was_counted_since_the_boot_does_not_count(tmp_path):
    threads = [Thread(core=n, core_events=70, package_events=900, core_ms=5000, package_ms=9000) for n in (0, 1)]
    bench = Bench(tmp_path, threads)
    assert bench.throttled() == {}
    assert bench.throttled(cpu0__core_throttle_count=71) == {f"{CORE_0} events": 1.0}


def test_two_packages_and_dies_are_kept_apart(tmp_path):
    threads = [Thread(package=0, core=0), Thread(package=1, core=0), Thread(package=1, core=0, die=1)]
    bench = Bench(tmp_path, threads)
    counted = bench.throttled(cpu1__package_throttle_count=1, cpu2__core_throttle_count=4)
    assert counted == {"throttling/package 1 events": 1.0, "throttling/package 1/die 1 core 0 events": 4.0}


def test_a_core_that_goes_offline_takes_its_files_and_its_sibling_speaks_for_both(four):
    """thermal_throttle_remove_dev: the folder goes with the core, and other cores keep what they counted."""
    assert four.everywhere("package_throttle_count", 2)[f"{PACKAGE} events"] == 2.0
    shutil.rmtree(four.root / "cpu0" / "thermal_throttle")
    four.throttled(cpu2__core_throttle_count=1)
    counted = four.throttled(cpu1__package_throttle_count=3, cpu2__package_throttle_count=3)
    assert counted == {f"{PACKAGE} events": 3.0, f"{CORE_0} events": 1.0}


def test_a_core_all_of_whose_threads_are_gone_is_a_gap(four):
    for cpu in ("cpu1", "cpu3"):
        shutil.rmtree(four.root / cpu)
    values, gaps = four.source.read()
    assert gaps == dict.fromkeys([f"{CORE_1} events", f"{CORE_1} time"], "gone: it does not exist any more")
    assert len(values) == 4


def test_a_core_that_is_offline_shows_an_empty_file_and_that_is_no_nought(tmp_path):
    """therm_throt_device_show: nothing is printed for a core that is not online."""
    bench = Bench(tmp_path, [Thread()])
    put(bench.root / "cpu0" / "thermal_throttle" / "core_throttle_count", b"")
    assert bench.source.read()[1] == {f"{CORE_0} events": "empty"}


def test_a_processor_without_package_counters_has_those_of_its_cores(tmp_path):
    """X86_FEATURE_PTS decides whether the package's files are there; older kernels have no times either."""
    tree = {
        name: text
        for name, text in throttling([Thread()]).items()
        if not name.endswith(("_ms", "package_throttle_count"))
    }
    source = ThrottleSource(make(tmp_path / "cpu", tree))
    assert [channel.name for channel in source.channels()] == ["throttling/package 0/core 0 events"]


@pytest.mark.parametrize("bad", ["", "x", -1])
def test_a_core_whose_place_is_not_shown_stands_for_itself(tmp_path, bad):
    source = Bench(tmp_path, [Thread(package=bad), Thread(core=bad)]).source
    names = [channel.name for channel in source.channels() if channel.role is Role.THROTTLE_EVENTS]
    assert names == [
        "throttling/package of cpu0 events",
        "throttling/package 0 events",
        "throttling/package of cpu0/cpu0 events",
        "throttling/package 0/cpu1 events",
    ]


def test_a_processor_that_tells_nothing_has_no_channels(tmp_path):
    tree = {name: text for name, text in throttling(FOUR).items() if "thermal_throttle" not in name}
    source = ThrottleSource(make(tmp_path / "cpu", tree))
    assert (source.channels(), source.read()) == ([], ({}, {}))
