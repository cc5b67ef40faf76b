"""Energy counters as power (Documentation/power/powercap/powercap.rst, ABI/testing/sysfs-class-powercap)."""

from __future__ import annotations

import shutil

import pytest
from bench_tree import put
from hypothesis import given
from hypothesis import strategies as st
from kernel_trees import DESKTOP_ZONES, RANGE_UJ, make, powercap, zone

from soakd.clock import FakeClock
from soakd.model.channels import FOR_NOW, Role
from soakd.sensors.powercap import MOST_W, SHORTEST_S, PowercapSource

PACKAGE = "powercap/package-0"
TURNED = "the reading before is so old that the counter may have turned over since"
IMPLAUSIBLE = "implausible: the counter jumped or was set back"


class Bench:
    """A source over a tree, and a hand on its counters and its clock."""

    def __init__(self, root, zones):
        self.root = make(root / "powercap", powercap(zones))
        self.clock = FakeClock()
        self.source = PowercapSource(self.clock, self.root)

    def after(self, elapsed_s, **energy_uj):
        """What is read when so much time has passed and the counters (`rapl_0_1` for intel-rapl:0:1) stand so."""
        for place, value in energy_uj.items():
            put(self.root / place.replace("rapl", "intel-rapl").replace("_", ":") / "energy_uj", value)
        self.clock.advance(elapsed_s)
        return self.source.read()


@pytest.fixture
def one(tmp_path):
    return Bench(tmp_path, {"intel-rapl:0": zone("package-0", 5_000_000)})


def test_zones_have_the_kernel_s_names_with_those_they_are_part_of(tmp_path):
    source = Bench(tmp_path, DESKTOP_ZONES).source
    assert [(channel.name, channel.role) for channel in source.channels()] == [
        ("powercap/package-0", Role.PACKAGE_POWER),
        ("powercap/package-0/core", Role.POWER),
        ("powercap/package-0/uncore", Role.POWER),
        ("powercap/psys", Role.POWER),
    ]


def test_power_is_the_energy_between_two_readings_over_their_time(one):
    assert one.after(2.0, rapl_0=5_000_000 + 250_000_000) == ({PACKAGE: pytest.approx(125.0)}, {})
    assert one.after(0.5, rapl_0=255_000_000 + 5_000_000) == ({PACKAGE: pytest.approx(10.0)}, {})


def test_the_first_reading_has_no_power_and_says_that_this_will_pass(one):
    values, gaps = one.source.read()
    assert values == {}
    assert gaps == {PACKAGE: f"{FOR_NOW}power takes two readings"}
    assert one.after(1.0, rapl_0=6_000_000)[0] == {PACKAGE: pytest.approx(1.0)}


def test_two_looks_in_quick_succession_say_the_same(one):
    """The counter moves in steps: over a moment, power would be anything."""
    first = one.after(1.0, rapl_0=105_000_000)
    assert one.after(SHORTEST_S / 2, rapl_0=105_000_061) == first
    assert one.after(SHORTEST_S / 2, rapl_0=110_000_000)[0] == {PACKAGE: pytest.approx(5.0 / SHORTEST_S)}


# `max_energy_range_uj`: "Range of the above energy counter in micro-joules", after which it starts from nought.
@pytest.mark.parametrize(
    ("before_uj", "now_uj", "watts"),
    [
        (RANGE_UJ - 50_000_000, 50_000_000, 100.0),
        (RANGE_UJ - 1, 99_999_999, 100.0),
        (RANGE_UJ, 100_000_000, 100.0),
        (RANGE_UJ, 0, 0.0),
    ],
)
def test_a_counter_that_turns_over_goes_on_being_power(tmp_path, before_uj, now_uj, watts):
    bench = Bench(tmp_path, {"intel-rapl:0": zone("package-0", before_uj)})
    assert bench.after(1.0, rapl_0=now_uj) == ({PACKAGE: pytest.approx(watts, abs=1e-9)}, {})


@given(st.integers(0, RANGE_UJ), st.lists(st.tuples(st.floats(0.06, 60.0), st.floats(0.01, MOST_W - 1.0)), max_size=20))
def test_whatever_a_counter_does_between_readings_the_energy_adds_up(tmp_path_factory, begin_uj, steps):
    """Over many turns of the counter, power times time is the energy that went in, to the counter's resolution."""
    bench = Bench(tmp_path_factory.mktemp("zone"), {"intel-rapl:0": zone("package-0", begin_uj)})
    total_uj = begin_uj
    for elapsed_s, watts in steps:
        total_uj += round(watts * elapsed_s * 1e6)
        values, gaps = bench.after(elapsed_s, rapl_0=total_uj % RANGE_UJ)
        assert gaps == {}
        assert values[PACKAGE] * elapsed_s == pytest.approx(watts * elapsed_s, abs=2e-6)


@pytest.mark.parametrize(
    ("before_uj", "now_uj"),
    [
        pytest.param(100_000_000_000, 0, id="set back by a 0 written to energy_uj"),
        pytest.param(100_000_000_000, 30_000_000, id="set back and counting again"),
        pytest.param(5_000_000, 5_000_000 + 2_100_000_000, id="a leap"),
        pytest.param(RANGE_UJ + 10_000_000, 5_000_000, id="beyond its own range, then back within it"),
    ],
)
def test_what_no_processor_can_use_is_a_gap_once_and_power_again_after_it(tmp_path, before_uj, now_uj):
    bench = Bench(tmp_path, {"intel-rapl:0": zone("package-0", before_uj)})
    assert bench.after(1.0, rapl_0=now_uj) == ({}, {PACKAGE: IMPLAUSIBLE})
    assert bench.after(1.0, rapl_0=now_uj + 80_000_000) == ({PACKAGE: pytest.approx(80.0)}, {})


def test_over_a_time_in_which_a_counter_may_turn_twice_there_is_no_power(one):
    """One turn of 262 kJ takes 131 s at 2 kW."""
    assert one.after(130.0, rapl_0=5_000_000 + 13_000_000_000)[0] == {PACKAGE: pytest.approx(100.0)}
    assert one.after(132.0, rapl_0=5_000_000)[1] == {PACKAGE: FOR_NOW + TURNED}
    assert one.after(1.0, rapl_0=55_000_000)[0] == {PACKAGE: pytest.approx(50.0)}


@pytest.mark.parametrize("range_uj", [0, "", "N/A", -5], ids=repr)
def test_without_a_range_a_counter_that_goes_back_is_a_gap(tmp_path, range_uj):
    bench = Bench(tmp_path, {"intel-rapl:0": zone("package-0", 5_000_000, range_uj=range_uj)})
    assert bench.after(1.0, rapl_0=6_000_000)[0] == {PACKAGE: pytest.approx(1.0)}
    why = "the counter went back, and the range in which it turns over is not known"
    assert bench.after(1.0, rapl_0=1_000_000) == ({}, {PACKAGE: why})


def test_a_counter_that_never_moves_is_no_zero_and_one_that_pauses_is(one):
    """A virtual machine may show a meter that measures nothing; the part for graphics may well rest."""
    assert one.after(1.0)[1] == {PACKAGE: "the counter has not moved since it was first read"}
    assert one.after(1.0, rapl_0=6_000_000)[0] == {PACKAGE: pytest.approx(1.0)}
    assert one.after(1.0) == ({PACKAGE: 0.0}, {})


def test_a_zone_that_two_interfaces_show_is_one_channel_of_the_first_that_can_be_read(as_ordinary_user):
    folder, rights = as_ordinary_user
    root = make(folder / "powercap", powercap(DESKTOP_ZONES))
    clock = FakeClock()
    (root / "intel-rapl:0" / "energy_uj").chmod(0)
    with rights():
        source = PowercapSource(clock, root)
    put(root / "intel-rapl-mmio:0" / "energy_uj", 5_000_100 + 70_000_000)
    clock.advance(1.0)
    with rights():
        values, gaps = source.read()
    assert [channel.name for channel in source.channels()].count(PACKAGE) == 1
    assert values[PACKAGE] == pytest.approx(70.0)
    assert PACKAGE not in gaps


def test_two_zones_of_one_name_under_one_control_type_are_two(tmp_path):
    zones = {"intel-rapl:0": zone("psys", 1), "intel-rapl:1": zone("psys", 2), "intel-rapl-mmio:0": zone("psys", 3)}
    names = [channel.name for channel in Bench(tmp_path, zones).source.channels()]
    assert names == ["powercap/psys", "powercap/psys #2"]


def test_counters_that_root_alone_may_read_are_gaps_with_the_system_s_reason(as_ordinary_user):
    """Mode 0400 since Linux 5.10 (CVE-2020-8694)."""
    folder, rights = as_ordinary_user
    root = make(folder / "powercap", powercap(DESKTOP_ZONES))
    for counter in root.glob("*/energy_uj"):
        counter.chmod(0)
    with rights():
        source = PowercapSource(FakeClock(), root)
        values, gaps = source.read()
    assert values == {}
    assert gaps == {channel.name: "cannot be read: Permission denied" for channel in source.channels()}
    assert len(gaps) == 4


def test_the_enabled_flag_is_about_limits_and_leaves_the_meter_alone(tmp_path):
    """ "Enable/Disable controls at zone level": the energy of a zone without limits is counted all the same."""
    bench = Bench(tmp_path, {"intel-rapl:0": zone("package-0", 0, enabled=0)})
    assert bench.after(1.0, rapl_0=42_000_000)[0] == {PACKAGE: pytest.approx(42.0)}


def test_a_zone_that_states_its_power_is_read_as_it_is(tmp_path):
    bench = Bench(tmp_path, {"dtpm:0": {"name": "soc", "power_uw": 3_250_000, "enabled": 1}})
    assert bench.source.read() == ({"powercap/soc": 3.25}, {})


def test_a_zone_that_vanishes_stays_as_a_gap_and_costs_no_other_one_its_value(tmp_path):
    bench = Bench(tmp_path, DESKTOP_ZONES)
    shutil.rmtree(bench.root / "intel-rapl:0:0")
    values, gaps = bench.after(1.0, rapl_0=6_000_000, rapl_0_1=80_000, rapl_1=10_000_000)
    assert gaps == {"powercap/package-0/core": "gone: it does not exist any more"}
    assert values == pytest.approx({PACKAGE: 1.0, "powercap/package-0/uncore": 0.01, "powercap/psys": 1.0})


def test_a_gap_in_between_leaves_the_mean_of_the_whole_time(one):
    assert one.after(1.0, rapl_0="")[1] == {PACKAGE: "empty"}
    assert one.after(1.0, rapl_0=5_000_000 + 30_000_000)[0] == {PACKAGE: pytest.approx(15.0)}


def test_a_bench_without_the_class_has_no_channels(tmp_path):
    source = PowercapSource(FakeClock(), tmp_path / "powercap")
    assert (source.channels(), source.read()) == ([], ({}, {}))
