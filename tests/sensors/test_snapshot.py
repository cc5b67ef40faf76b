"""The snapshot on recorded trees of benches of several kinds, and on the machine that runs this."""

from __future__ import annotations

import os

import pytest

from soakd.model.snapshot import settings_of
from soakd.sensors.snapshot import boot_id, ranges, take_snapshot

BOOT = "6f1c0a52-0d3e-4c8e-9f5b-2f6f0a4f7b11"
CPU = "devices/system/cpu"
X86 = """processor\t: 0
vendor_id\t: AuthenticAMD
cpu family\t: 25
model\t\t: 97
model name\t: AMD Ryzen 9 7950X 16-Core Processor
stepping\t: 2
microcode\t: 0xa601206
flags\t\t: fpu vme sse2 {flags}

processor\t: 1
cpu family\t: 99
microcode\t: 0xffffffff
"""
BARE_METAL = X86.format(flags="")
ARM = """processor\t: 0
BogoMIPS\t: 108.00
Features\t: fp asimd evtstrm crc32 cpuid
CPU implementer\t: 0x41
CPU architecture: 8
CPU variant\t: 0x0
CPU part\t: 0xd08
CPU revision\t: 3

processor\t: 1
CPU part\t: 0xd0c
"""
MEMORY = "MemTotal:       65536000 kB\nMemFree:  100 kB\nSwapTotal:       8388604 kB\n"
DMI = {
    "class/dmi/id/board_vendor": "Board House",
    "class/dmi/id/board_name": "X670E",
    "class/dmi/id/bios_vendor": "Firm",
    "class/dmi/id/bios_version": "2.10",
    "class/dmi/id/bios_date": "03/01/2025",
    "class/dmi/id/sys_vendor": "Host House",
}
CPUFREQ = {
    f"{CPU}/cpufreq/boost": "1",
    f"{CPU}/cpufreq/policy0/scaling_governor": "performance",
    f"{CPU}/cpufreq/policy0/scaling_min_freq": "400000",
    f"{CPU}/cpufreq/policy0/scaling_max_freq": "5881000",
}
MITIGATIONS = {f"{CPU}/vulnerabilities/meltdown": "Not affected", f"{CPU}/vulnerabilities/spectre_v1": "Mitigation: x"}
DESKTOP = {**DMI, **CPUFREQ, **MITIGATIONS}


@pytest.fixture
def shot(tmp_path):
    """Writes a recorded tree and takes its snapshot; a content of None is a folder in place of the file."""

    def take(sys_files, *, cpuinfo=BARE_METAL, memory=MEMORY):
        proc = {"cpuinfo": cpuinfo, "meminfo": memory, "sys/kernel/random/boot_id": f"{BOOT}\n"}
        for root, files in (("proc", proc), ("sys", sys_files)):
            for name, content in files.items():
                path = tmp_path / root / name
                path.parent.mkdir(parents=True, exist_ok=True)
                if content is None:
                    path.mkdir()
                else:
                    path.write_text(f"{content}\n" if root == "sys" else content)
        return take_snapshot(tmp_path / "proc", tmp_path / "sys")

    return take


def test_a_desktop_shows_everything_and_nothing_is_absent(shot):
    taken = shot(DESKTOP)
    assert taken.processor == "AMD Ryzen 9 7950X 16-Core Processor"
    assert taken.family_model_stepping == "25-97-2"
    assert taken.microcode == "0xa601206"
    assert (taken.memory_total_mib, taken.swap_total_mib) == (64000, 8191)
    assert taken.board == "Board House X670E"
    assert taken.firmware == "Firm 2.10 03/01/2025"
    assert taken.boot_id == BOOT
    assert (taken.governor, taken.boost) == ("performance", "1")
    assert (taken.minimum_clock_mhz, taken.maximum_clock_mhz) == (400, 5881)
    assert taken.mitigations == {"meltdown": "Not affected", "spectre_v1": "Mitigation: x"}
    assert taken.virtualisation is None
    assert taken.absent == {}


def test_a_bare_virtual_machine_says_what_it_does_not_show(shot):
    taken = shot({}, cpuinfo=X86.format(flags="hypervisor"))
    assert taken.virtualisation == "hypervisor flag"
    nothing = {"board", "firmware", "governor", "boost", "minimum_clock_mhz", "maximum_clock_mhz", "mitigations"}
    assert set(taken.absent) == nothing
    assert all(getattr(taken, name) in (None, {}) for name in nothing)
    assert taken.absent["boost"].endswith("/cpufreq/boost: No such file or directory")


def test_a_guest_names_its_host_where_the_firmware_tables_or_the_kernel_do(shot, tmp_path):
    assert shot(DMI, cpuinfo=X86.format(flags="hypervisor")).virtualisation == "hypervisor flag, Host House"
    assert shot({"hypervisor/type": "xen"}).virtualisation == "xen"


def test_an_arm_processor_is_known_by_its_makers_numbers_because_it_has_no_name(shot):
    """Fields of MIDR_EL1 in /proc/cpuinfo (Documentation/arch/arm64/cpu-feature-registers.rst)."""
    taken = shot(CPUFREQ, cpuinfo=ARM)
    assert taken.family_model_stepping == "0x41-0x0-0xd08-3"
    assert taken.processor is None
    assert taken.microcode is None
    assert taken.absent["processor"].endswith("/cpuinfo: has no `model name`")
    assert taken.absent["microcode"].endswith("/cpuinfo: has no `microcode`")
    assert "family_model_stepping" not in taken.absent


def test_a_processor_that_says_nothing_is_absent_field_by_field(shot):
    taken = shot({}, cpuinfo="", memory="")
    assert {"processor", "family_model_stepping", "microcode", "memory_total_mib"} <= set(taken.absent)
    assert (taken.memory_total_mib, taken.swap_total_mib) == (0, 0)


def test_cores_under_different_governors_and_limits_are_all_in_the_snapshot(shot):
    """One policy for each group of cores (Documentation/admin-guide/pm/cpufreq.rst); its limits are in kHz."""
    others = {
        f"{CPU}/cpufreq/policy{number}/{file}": content
        for number, governor, low, high in ((2, "powersave", 800000, 3700000), (10, "performance", 800000, 4300000))
        for file, content in (("scaling_governor", governor), ("scaling_min_freq", low), ("scaling_max_freq", high))
    }
    taken = shot(DESKTOP | others)
    assert taken.governor == "performance, powersave"
    assert (taken.minimum_clock_mhz, taken.maximum_clock_mhz) == (400, 5881)


@pytest.mark.parametrize(("no_turbo", "boost"), [("0", "1"), ("1", "0")])
def test_a_driver_that_says_no_turbo_is_understood(shot, no_turbo, boost):
    """Documentation/admin-guide/pm/intel_pstate.rst, `no_turbo`."""
    taken = shot({f"{CPU}/intel_pstate/no_turbo": no_turbo})
    assert taken.boost == boost
    assert "boost" not in taken.absent


# Columns: file that is spoilt, its content (None: a folder), the field, the reason.
@pytest.mark.parametrize(
    ("file", "content", "name", "reason"),
    [
        (
            f"{CPU}/cpufreq/policy0/scaling_max_freq",
            "<unknown>",
            "maximum_clock_mhz",
            "not a whole number: '<unknown>'",
        ),
        (f"{CPU}/cpufreq/policy0/scaling_min_freq", "-1", "minimum_clock_mhz", "not a whole number: '-1'"),
        (f"{CPU}/cpufreq/policy0/scaling_min_freq", "4²", "minimum_clock_mhz", "not a whole number: '4²'"),
        (f"{CPU}/cpufreq/policy0/scaling_governor", "", "governor", "empty"),
        (f"{CPU}/cpufreq/policy0/scaling_governor", None, "governor", "Is a directory"),
        (f"{CPU}/cpufreq/boost", None, "boost", "Is a directory"),
    ],
)
def test_a_setting_that_cannot_be_understood_is_absent_with_its_reason(shot, file, content, name, reason):
    taken = shot({**DESKTOP, file: content})
    assert getattr(taken, name) is None
    assert taken.absent == {name: taken.absent[name]}
    assert taken.absent[name].endswith(f"{file}: {reason}")


def test_a_board_that_keeps_part_of_its_name_shows_the_rest(shot):
    taken = shot({**DESKTOP, "class/dmi/id/board_name": None})
    assert taken.board == "Board House"
    assert taken.absent["board"].endswith("board_name: Is a directory")


def test_bytes_that_are_no_text_are_no_reason_to_fail(shot, tmp_path):
    shot(DESKTOP, cpuinfo=X86.format(flags="hypervisor"))
    (tmp_path / "sys/class/dmi/id/sys_vendor").write_bytes(b"H\xffst")
    assert take_snapshot(tmp_path / "proc", tmp_path / "sys").virtualisation == "hypervisor flag, H\ufffdst"


@pytest.mark.parametrize(
    ("cores", "text"),
    [
        (set(), ""),
        ({0}, "0"),
        ({0, 1}, "0-1"),
        ({3, 1, 0, 2}, "0-3"),
        ({0, 1, 2, 3, 8}, "0-3,8"),
        ({0, 2, 4}, "0,2,4"),
        ({0, 2, 3, 7, 8, 9}, "0,2-3,7-9"),
    ],
)
def test_cores_are_listed_as_the_kernel_lists_them(cores, text):
    """The list format of bitmaps, Documentation/admin-guide/cputopology.rst."""
    assert ranges(cores) == text


def test_two_snapshots_of_this_machine_have_the_same_settings():
    first, second = take_snapshot(), take_snapshot()
    assert settings_of(first) == settings_of(second)
    assert first.absent == second.absent
    assert first.boot_id == second.boot_id == boot_id()
    assert first.memory_total_mib > 0
    assert first.logical_cores == os.cpu_count()
    assert first.cores_allowed == ranges(os.sched_getaffinity(0))


def test_what_this_machine_does_not_show_is_named(tmp_path):
    taken = take_snapshot()
    unsaid = {name for name, value in taken.model_dump().items() if value is None} - {"virtualisation"}
    assert unsaid <= set(taken.absent)
