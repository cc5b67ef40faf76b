"""Where the cores are, how their clocks are set, what limits machine and processes: trees as the kernel has them."""

from __future__ import annotations

import pytest
from snapshot_tree import CPU, GROUPS, PROC, ZONE, desktop, policy_files, write

from soakd.model.snapshot_parts import ClockPolicy, OwnLimits, PowerLimit, PowerZone
from soakd.sensors.attributes import Attributes
from soakd.sensors.policies import read_boost, read_clock_control, read_idle_states, read_policies
from soakd.sensors.restraints import read_own_limits, read_power_zones
from soakd.sensors.topology import read_topology


@pytest.fixture
def tree(tmp_path):
    """Attributes of a tree with these files; a content of None leaves a file of the desktop out."""

    def make(files, **proc):
        write(tmp_path / "proc", {**PROC, **proc})
        write(tmp_path / "sys", {name: content for name, content in files.items() if content is not None})
        return Attributes(tmp_path / "proc", tmp_path / "sys")

    return make


def test_a_desktop_s_cores_stand_in_groups(tree):
    seen = read_topology(tree(desktop(8)))
    assert seen.online == "0-7"
    assert (seen.node, seen.package) == ({"0-7": 0}, {"0-7": 0})
    assert seen.die == {"0-1,4-5": 0, "2-3,6-7": 1}
    assert seen.physical_core == {"0,4": 0, "1,5": 1, "2,6": 10, "3,7": 11}
    assert seen.siblings == ("0,4", "1,5", "2,6", "3,7")
    assert seen.highest_performance == {"0,4": 166, "1,5": 165, "2,6": 164, "3,7": 163}
    assert (seen.nominal_performance, seen.nominal_clock_mhz) == ({"0-7": 125}, {"0-7": 4501})
    assert list(seen.caches) == ["level 1 data", "level 1 instruction", "level 2 unified", "level 3 unified"]
    assert seen.caches["level 3 unified"].shared_by == ("0-1,4-5", "2-3,6-7")
    assert seen.caches["level 3 unified"].size_kib == {"0-7": 32768}


def test_cores_of_two_types_have_their_own_caches_and_say_of_which_type_they_are(tree):
    """tools/perf/Documentation/intel-hybrid.txt: one performance monitoring unit for each type."""
    small = {f"{CPU}/cpu{core}/cache/index0/size": "64K" for core in (3, 7)}
    units = {
        "bus/event_source/devices/cpu_core/cpus": "0-2,4-6", "bus/event_source/devices/cpu_atom/cpus": "3,7",
        "bus/event_source/devices/uncore_imc_0/cpumask": "0",
    }  # fmt: skip
    read = tree(desktop(8) | small | units)
    seen = read_topology(read)
    assert seen.core_type == {"0-2,4-6": "cpu_core", "3,7": "cpu_atom"}
    assert seen.caches["level 1 data"].size_kib == {"0-2,4-6": 32, "3,7": 64}
    assert read.absent == {}


def test_a_core_that_is_off_is_in_nothing(tree):
    seen = read_topology(tree(desktop(8) | {f"{CPU}/online": "0-6"}))
    assert seen.online == "0-6"
    assert seen.package == {"0-6": 0}
    assert seen.node == {"0-6": 0}


@pytest.mark.parametrize("content", ["", "0-", "all", "0-99999999", "3-1", "9999"])
def test_without_a_list_of_cores_there_is_no_topology_and_one_reason(tree, content):
    read = tree(desktop(2) | {f"{CPU}/online": content})
    assert read_topology(read).model_dump(exclude_defaults=True) == {}
    assert set(read.absent) == {"topology"}


# Columns: file of one core that is spoilt, its content, the field, what is left.
@pytest.mark.parametrize(
    ("file", "content", "field", "left"),
    [
        ("topology/die_id", "-1", "die", {"0,2": 0, "3": 1}),  # the kernel's way to say that it does not know
        ("topology/core_id", "", "physical_core", {"0,2": 0, "3": 9}),
        ("acpi_cppc/nominal_freq", None, "nominal_clock_mhz", {"0,2-3": 4501}),
    ],
)
def test_what_one_core_does_not_tell_is_missing_of_that_core(tree, file, content, field, left):
    read = tree(desktop(4) | {f"{CPU}/cpu1/{file}": content})
    assert getattr(read_topology(read), field) == left
    assert list(read.absent) == [f"topology.{field}"]
    assert f"cpu1/{file}" in read.absent[f"topology.{field}"]


@pytest.mark.parametrize(("file", "content"), [("size", "32M"), ("level", "x"), ("type", "Trace"), ("level", None)])
def test_a_cache_that_cannot_be_understood_is_left_out_and_named(tree, file, content):
    read = tree(desktop(4) | {f"{CPU}/cpu0/cache/index3/{file}": content})
    assert "0,2" not in read_topology(read).caches["level 3 unified"].shared_by
    assert "cpu0/cache/index3" in read.absent["topology.caches"]


def test_cores_under_one_policy_stand_together_and_others_by_themselves(tree):
    """One policy for each group of cores; clocks in kHz (Documentation/admin-guide/pm/cpufreq.rst)."""
    files = desktop(4) | policy_files(2, affected_cpus="2 3", scaling_governor="powersave", scaling_max_freq=3700000)
    read = tree({name: None if "policy3" in name else content for name, content in files.items()})
    found = read_policies(read)
    assert list(found) == ["0-1", "2-3"]
    assert found["0-1"] == ClockPolicy(
        driver="amd-pstate-epp", governor="performance", energy_preference="performance", minimum_mhz=400,
        maximum_mhz=5881, lowest_mhz=400, highest_mhz=5881, base_mhz=4501, boost="1",
    )  # fmt: skip
    assert (found["2-3"].governor, found["2-3"].maximum_mhz) == ("powersave", 3700)
    assert read.absent == {}


def test_a_policy_of_cores_that_are_all_off_is_left_out(tree):
    read = tree(policy_files(0) | policy_files(1, affected_cpus=""))
    assert list(read_policies(read)) == ["0"]
    assert read.absent == {}


def test_lists_that_name_no_core_are_named_where_they_all_do(tree):
    files = desktop(2) | policy_files(0, affected_cpus="") | policy_files(1, affected_cpus="")
    read = tree(files | {"devices/system/node/node0/cpulist": "", "bus/event_source/devices/cpu_core/cpus": "7"})
    seen = read_topology(read)
    assert (seen.node, seen.core_type, read_policies(read)) == ({}, {}, {})
    assert set(read.absent) == {"topology.node", "topology.core_type", "clock_policies"}


def test_a_clock_that_somebody_asked_for_counts_where_it_is_obeyed(tree):
    by_hand = policy_files(0, scaling_governor="userspace", scaling_setspeed=4700000)
    obeyed, other = read_policies(tree(by_hand | policy_files(1, scaling_setspeed="<unsupported>"))).values()
    assert (obeyed.asked_mhz, other.asked_mhz) == (4700, None)


def test_what_a_driver_does_not_offer_is_named(tree):
    files = policy_files(0, energy_performance_preference=None, base_frequency=None, scaling_max_freq="<unknown>")
    read = tree(files)
    (found,) = read_policies(read).values()
    assert (found.energy_preference, found.base_mhz, found.maximum_mhz) == (None, None, None)
    assert set(read.absent) == {
        "clock_policies.energy_preference", "clock_policies.base_mhz", "clock_policies.maximum_mhz",
    }  # fmt: skip
    assert read.absent["clock_policies.maximum_mhz"].endswith("scaling_max_freq: not a whole number: '<unknown>'")


def test_two_drivers_have_a_mode(tree):
    assert read_clock_control(tree({f"{CPU}/intel_pstate/status": "passive"})) == "intel_pstate passive"
    assert read_clock_control(tree({f"{CPU}/amd_pstate/status": "guided"})) == "amd_pstate guided"


@pytest.mark.parametrize(("no_turbo", "boost"), [("0", "1"), ("1", "0")])
def test_a_driver_that_says_no_turbo_is_understood(tree, no_turbo, boost):
    """Documentation/admin-guide/pm/intel_pstate.rst, `no_turbo`."""
    read = tree({f"{CPU}/intel_pstate/no_turbo": no_turbo})
    assert read_boost(read) == boost
    assert read.absent == {}


def test_idle_states_come_in_the_order_of_their_numbers(tree):
    files = {f"{CPU}/online": "0"}
    for number in (10, 2, 0):
        files |= {f"{CPU}/cpu0/cpuidle/state{number}/name": f"C{number}"}
        files |= {f"{CPU}/cpu0/cpuidle/state{number}/disable": int(number == 2)}
    assert read_idle_states(tree(files)) == {"0": "C0, C2 off, C10"}


def test_power_zones_go_by_their_place_and_name(tree):
    """Documentation/ABI/testing/sysfs-class-powercap; the fields that only drivers know are left alone."""
    zones = {
        f"{ZONE}/name": "package-0", f"{ZONE}/enabled": "0", f"{ZONE}/constraint_0_name": "long_term",
        f"{ZONE}/constraint_0_power_limit_uw": "95500000", f"{ZONE}/constraint_0_time_window_us": "976",
        f"{ZONE}:0/name": "core", f"{ZONE}:0/enabled": "1", f"{ZONE}:0/constraint_0_power_limit_uw": "0",
        "class/powercap/intel-rapl/enabled": "1",
    }  # fmt: skip
    read = tree(zones)
    assert read_power_zones(read) == {
        "intel-rapl:0 package-0": PowerZone(
            enabled=False, limits={"long_term": PowerLimit(limit_w=95.5, window_s=976e-6)}
        ),
        "intel-rapl:0:0 core": PowerZone(enabled=True, limits={"0": PowerLimit(limit_w=0.0)}),
    }
    assert set(read.absent) == {"power_zones.limits", "power_zones.limits.window_s"}


NO_LIMITS = OwnLimits(cores="0-31", memory_nodes="0", processor_time="no limit", memory="no limit")
SLICE = "fs/cgroup/system.slice"


# Columns: what differs from a service without limits, what is seen (Documentation/admin-guide/cgroup-v2.rst).
@pytest.mark.parametrize(
    ("files", "seen"),
    [
        ({}, {}),
        ({f"{SLICE}/soakd.service/cpu.max": "150000 100000"}, {"processor_time": "150 % of one core"}),
        ({f"{SLICE}/cpu.max": "50000 100000", f"{SLICE}/soakd.service/cpu.max": "max 100000"},
         {"processor_time": "50 % of one core"}),
        ({f"{SLICE}/memory.max": 8 * 2**30, f"{SLICE}/soakd.service/memory.max": 2**34}, {"memory": "8192 MiB"}),
        ({f"{SLICE}/soakd.service/memory.max": None, f"{SLICE}/memory.max": None}, {}),
        ({f"{SLICE}/soakd.service/cpuset.cpus.effective": "4-7"}, {"cores": "4-7"}),
    ],
)  # fmt: skip
def test_the_tightest_limit_from_our_group_up_is_ours(tree, files, seen):
    read = tree(GROUPS | files)
    assert read_own_limits(read) == NO_LIMITS.model_copy(update=seen)
    assert read.absent == {}


def test_groups_beside_those_of_version_1_are_found_and_what_these_rule_is_named(tree):
    files = {f"fs/cgroup/unified/{name.removeprefix('fs/cgroup/')}": content for name, content in GROUPS.items()}
    read = tree(files | {"fs/cgroup/unified/cgroup.controllers": "cpu"})
    assert read_own_limits(read) == OwnLimits(processor_time="no limit")
    assert set(read.absent) == {"own_limits.cores", "own_limits.memory_nodes", "own_limits.memory"}


@pytest.mark.parametrize("line", ["", "0::/../elsewhere\n", "3:cpu:/x\n"])
def test_a_group_that_cannot_be_seen_from_here_is_named(tree, line):
    read = tree(GROUPS, **{"self/cgroup": line})
    assert read_own_limits(read) == OwnLimits()
    assert set(read.absent) == {"own_limits"}


def test_limits_that_cannot_be_understood_are_named(tree):
    read = tree(GROUPS | {f"{SLICE}/cpu.max": "much", f"{SLICE}/memory.max": "-1"})
    assert read_own_limits(read) == OwnLimits(cores="0-31", memory_nodes="0")
    assert set(read.absent) == {"own_limits.processor_time", "own_limits.memory"}
