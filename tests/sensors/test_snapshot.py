"""The snapshot on recorded trees of benches of several kinds, and on the machine that runs this."""

from __future__ import annotations

import json
import os
import stat
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from snapshot_tree import BOOT, CPU, CPUINFO, IDENTITY, KERNEL, PROC, desktop, write

from soakd.model.base import Value
from soakd.model.snapshot import Snapshot, settings_of
from soakd.rules.fingerprint import settings_changed
from soakd.sensors.snapshot import boot_id, take_snapshot

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
NOBODY = 65534
DESKTOP = desktop()


@pytest.fixture
def shot(tmp_path):
    """Writes a recorded tree and takes its snapshot; a content of None is a folder in place of the file."""

    def take(sys_files, **proc):
        write(tmp_path / "proc", {**PROC, **proc})
        write(tmp_path / "sys", sys_files)
        return take_snapshot(tmp_path / "proc", tmp_path / "sys")

    return take


def unsaid(taken):
    """Fields without a value, in groups too, and whether the snapshot says why."""

    def below(value, path):
        for name in type(value).model_fields:
            inner, here = getattr(value, name), f"{path}{name}"
            if isinstance(inner, Value):
                yield from below(inner, f"{here}.")
            elif inner in (None, {}, ()) and here != "absent":
                why = [here[:end] for end in range(1, len(here) + 1) if here[:end] in taken.absent]
                yield here, bool(why)

    return dict(below(taken, ""))


def test_a_desktop_shows_everything_and_nothing_is_absent(shot):
    taken = shot(DESKTOP)
    assert taken.absent == {}
    assert taken.processor == "AMD Ryzen 9 7950X 16-Core Processor"
    assert taken.family_model_stepping == "25-97-2"
    assert taken.microcode == "0xa601206"
    assert taken.timestamp_clock_mhz == 4500
    assert (taken.memory_total_mib, taken.memory_gib, taken.swap_total_mib) == (64000, 63, 8191)
    assert (taken.product_vendor, taken.product_name) == ("Host House", "Lantern")
    assert (taken.board_vendor, taken.board_name, taken.board_version) == ("Board House", "X670E", "1.02")
    assert (taken.firmware_vendor, taken.firmware_version) == ("Firm", "2.10")
    assert (taken.firmware_date, taken.firmware_release) == ("03/01/2025", "5.27")
    assert (taken.board, taken.firmware) == ("Board House X670E", "Firm 2.10 03/01/2025")
    assert taken.boot_id == BOOT
    assert (taken.governor, taken.boost) == ("performance", "1")
    assert (taken.minimum_clock_mhz, taken.maximum_clock_mhz) == (400, 5881)
    assert taken.mitigations == {"meltdown": "Not affected", "spectre_v1": "Mitigation: x"}
    assert taken.virtualisation is None
    assert set(unsaid(taken)) == {"virtualisation"}


def test_a_desktop_s_snapshot_stays_small(shot):
    """It is stored twice with every run: groups, not a copy for each core."""
    assert len(shot(DESKTOP).model_dump_json()) < 5000


def test_what_names_a_person_or_a_purchase_is_not_taken(shot):
    text = shot(DESKTOP).model_dump_json()
    assert "SECRET" not in text
    assert "SERIAL" not in text
    assert "3e6be9de" not in text


def test_a_bare_virtual_machine_says_what_it_does_not_show(shot):
    taken = shot({}, cpuinfo=CPUINFO.format(flags="hypervisor"))
    assert taken.virtualisation == "hypervisor flag"
    silent = unsaid(taken)
    assert {"topology.online", "clock_policies", "memory_modules", "own_limits.memory", "boost"} <= set(silent)
    assert all(silent.values())
    assert taken.absent["boost"].startswith("not there: ")
    assert taken.absent["boost"].endswith("/cpufreq/boost")


def test_without_a_mark_of_the_boot_there_still_is_a_snapshot(shot):
    taken = shot(DESKTOP, **{"sys/kernel/random/boot_id": None})
    assert taken.boot_id == ""
    assert set(taken.absent) == {"boot_id"}


def test_a_guest_names_its_host_where_the_firmware_tables_or_the_kernel_do(shot):
    assert shot(IDENTITY, cpuinfo=CPUINFO.format(flags="hypervisor")).virtualisation == "hypervisor flag, Host House"
    assert shot({"hypervisor/type": "xen"}).virtualisation == "xen"


def test_an_arm_processor_is_known_by_its_makers_numbers_because_it_has_no_name(shot):
    """Fields of MIDR_EL1 in /proc/cpuinfo (Documentation/arch/arm64/cpu-feature-registers.rst)."""
    taken = shot(DESKTOP, cpuinfo=ARM)
    assert taken.family_model_stepping == "0x41-0x0-0xd08-3"
    assert taken.processor is None
    assert taken.microcode is None
    assert taken.timestamp_clock_mhz is None
    assert set(taken.absent) == {"processor", "microcode", "timestamp_clock_mhz"}
    assert taken.absent["processor"].endswith("/cpuinfo: no `model name`")


def test_a_processor_that_says_nothing_is_absent_field_by_field(shot):
    taken = shot(DESKTOP, cpuinfo="", meminfo="")
    assert {
        "processor",
        "family_model_stepping",
        "microcode",
        "memory_total_mib",
        "memory_gib",
        "swap_total_mib",
    } <= set(taken.absent)
    assert (taken.memory_total_mib, taken.memory_gib, taken.swap_total_mib) == (0, None, 0)


def test_of_a_thousand_processors_only_the_first_is_read(shot):
    assert shot(DESKTOP, cpuinfo=PROC["cpuinfo"] * 1000).family_model_stepping == "25-97-2"


# Columns: file that is spoilt, its content (None: a folder), the field, how the reason begins, and how it ends.
@pytest.mark.parametrize(
    ("file", "content", "name", "begins", "ends"),
    [
        (f"{CPU}/cpufreq/boost", None, "boost", "not readable", "boost: Is a directory"),
        (f"{CPU}/cpufreq/boost", "", "boost", "malformed", "boost: empty"),
        ("class/dmi/id/board_name", b"x" * 5000, "board_name", "malformed", "longer than 4096 bytes"),
        ("class/dmi/id/board_name/x", "", "board_name", "not readable", "Is a directory"),
        (f"{CPU}/intel_pstate/max_perf_pct", "<unknown>", "most_performance_percent", "malformed", "'<unknown>'"),
        (f"{CPU}/intel_pstate/max_perf_pct", "-1", "most_performance_percent", "malformed", "whole number: '-1'"),
        (f"{CPU}/intel_pstate/max_perf_pct", "4²", "most_performance_percent", "malformed", "whole number: '4²'"),
        (f"{CPU}/intel_pstate/max_perf_pct", "9" * 400, "most_performance_percent", "malformed", "99999'"),
        ("kernel/mm/transparent_hugepage/enabled", "always", "kernel_settings.huge_pages", "malformed", "'always'"),
    ],
)
def test_what_cannot_be_understood_is_absent_with_its_reason(shot, file, content, name, begins, ends):
    taken = shot({**{k: v for k, v in DESKTOP.items() if k not in file}, file: content})
    value = taken
    for part in name.split("."):
        value = getattr(value, part)
    assert value is None
    assert set(taken.absent) == {name}
    assert taken.absent[name].startswith(f"{begins}: ")
    assert taken.absent[name].endswith(ends)


def test_a_board_that_keeps_part_of_its_name_shows_the_rest(shot):
    taken = shot({key: value for key, value in DESKTOP.items() if not key.endswith("/board_name")})
    assert taken.board == "Board House"
    assert set(taken.absent) == {"board_name"}


def test_bytes_that_are_no_text_are_no_reason_to_fail(shot):
    taken = shot(DESKTOP | {"class/dmi/id/sys_vendor": b"H\xffst\n"}, cpuinfo=CPUINFO.format(flags="hypervisor"))
    assert taken.virtualisation == "hypervisor flag, H\ufffdst"


def test_the_kernel_s_settings_are_those_that_bear_on_results(shot):
    """Not from where the system was started: where its root lies is no setting of the bench."""
    told = shot(DESKTOP).kernel_settings
    assert told.command_line == "ro mitigations=auto preempt=full"
    assert (told.clock_source, told.huge_pages, told.numa_balancing) == ("tsc", "madvise", "0")
    assert (told.isolated_cores, told.tickless_cores) == ("none", "none")
    assert (told.threads, told.threads_active) == ("on", "1")
    assert (told.idle_driver, told.idle_governor) == ("acpi_idle", "menu")
    assert told.idle_states == {"0-31": "POLL, C1, C2 off"}


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("", "none"),
        ("quiet", "quiet"),
        ("root=/dev/sda1 quiet resume=UUID=9f5b resume_offset=1 rootflags=subvol=@ rootwait", "quiet rootwait"),
        ("rd.luks.name=abc=root ip=10.0.0.2::eth0 BOOT_IMAGE=(hd0)/vmlinuz initrd=\\x nosmt", "nosmt"),
        ("a=3E6BE9DE-8139-11D1-9106-A43F08D823A6 b=1", "b=1"),
        ('dyndbg="file a.c +p" x', 'dyndbg="file a.c +p" x'),
        ("isolcpus=2-3 -- --token secret", "isolcpus=2-3"),
        ("-- only init", "none"),
    ],
)
def test_of_the_command_line_stays_what_is_a_setting(shot, line, told):
    assert shot(KERNEL, cmdline=f"{line}\n").kernel_settings.command_line == told


def dropped(read, *arguments):
    """What a function returns for an account without rights, as JSON; run in a child that gives its own up."""
    receiver, sender = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            if os.geteuid() == 0:
                os.setgroups([])
                os.setgid(NOBODY)
                os.setuid(NOBODY)
            os.write(sender, read(*arguments).model_dump_json().encode())
        finally:
            os._exit(0)
    os.close(sender)
    with os.fdopen(receiver, "rb") as pipe:
        text = pipe.read()
    os.waitpid(pid, 0)
    return Snapshot.model_validate_json(text)


def test_what_only_root_may_read_is_said_to_be_so_and_is_no_change():
    """The kernel gives the firmware's tables mode 0400, because serial numbers stand in them."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        proc, sys = write(root / "proc", PROC), write(root / "sys", DESKTOP)
        for path in (root, *root.rglob("*")):
            path.chmod(0o755)
        as_owner = take_snapshot(proc, sys)
        for file in (sys / "firmware/dmi/tables").iterdir():
            file.chmod(stat.S_IRUSR if os.geteuid() == 0 else 0)
        as_nobody = dropped(take_snapshot, proc, sys)
        for file in (sys / "firmware/dmi/tables").iterdir():
            file.chmod(0o600)
    why = f"not permitted: {sys}/firmware/dmi/tables/smbios_entry_point"
    fields = ("memory_modules", "memory_error_correction", "sockets")
    assert as_nobody.absent == dict.fromkeys(fields, why)
    lines = settings_changed(as_owner, as_nobody)
    assert [line.partition(":")[0] for line in lines] == ["memory modules", "memory error correction", "sockets"]
    assert all("not comparable: known then" in line and line.endswith(f"now {why}") for line in lines)
    assert all(f"not comparable: then {why}, known now" in line for line in settings_changed(as_nobody, as_owner))


TEXTS = st.sampled_from(
    sorted(name for name, content in DESKTOP.items() if "/cpu1" not in name and "policy1" not in name)
)
SPOILT = st.binary(max_size=40) | st.sampled_from([b"0-99999999999", b"-1", b"\xff\xfe", b"9" * 5000, b"max max", None])


@settings(max_examples=25)
@given(st.dictionaries(TEXTS, SPOILT, min_size=1, max_size=6))
def test_no_content_of_any_file_makes_it_raise(spoilt):
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        write(root / "proc", {**PROC, "cmdline": "\xff"})
        write(root / "sys", {**desktop(2), **spoilt})
        taken = take_snapshot(root / "proc", root / "sys")
    assert Snapshot.model_validate_json(taken.model_dump_json()) == taken
    assert all(unsaid(taken)[name] for name in unsaid(taken) if name != "virtualisation")


def test_two_snapshots_of_this_machine_have_the_same_settings():
    first, second = take_snapshot(), take_snapshot()
    assert settings_of(first) == settings_of(second)
    assert first.absent == second.absent
    assert first.boot_id == second.boot_id == boot_id()
    assert first.memory_total_mib > 0
    assert first.logical_cores == os.cpu_count()


def test_what_this_machine_does_not_show_is_named():
    silent = unsaid(take_snapshot())
    silent.pop("virtualisation", None)
    assert all(silent.values()), [name for name, why in silent.items() if not why]


def test_what_this_machine_shows_is_the_same_for_everybody_but_what_is_locked():
    """Only reasons of permission may make a difference between accounts."""
    here, other = take_snapshot(), dropped(take_snapshot)
    lines = settings_changed(here, other)
    assert all("not permitted" in line for line in lines), lines
    assert json.loads(other.model_dump_json())["boot_id"] == here.boot_id
