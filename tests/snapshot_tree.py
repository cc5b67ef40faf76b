"""What proc and sys of a desktop hold, for tests of the snapshot, and firmware tables built byte by byte.

File names and forms: Documentation/ABI/stable/sysfs-devices-system-cpu; Documentation/ABI/testing:
sysfs-devices-system-cpu, sysfs-class-powercap, sysfs-devices-edac; Documentation/admin-guide: pm, acpi/cppc_sysfs,
cgroup-v2. Tables: DMTF DSP0134.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

CPU = "devices/system/cpu"
BOOT = "6f1c0a52-0d3e-4c8e-9f5b-2f6f0a4f7b11"
CPUINFO = """processor\t: 0
vendor_id\t: AuthenticAMD
cpu family\t: 25
model\t\t: 97
model name\t: AMD Ryzen 9 7950X 16-Core Processor
stepping\t: 2
microcode\t: 0xa601206
flags\t\t: fpu vme sse2 constant_tsc {flags}
bogomips\t: 8999.74

processor\t: 1
cpu family\t: 99
microcode\t: 0xffffffff
"""
BARE_METAL = CPUINFO.format(flags="")
MEMINFO = "MemTotal:       65536000 kB\nMemFree:  100 kB\nSwapTotal:       8388604 kB\n"
ROOT_WORDS = "BOOT_IMAGE=/vmlinuz-6.12 root=UUID=3e6be9de-8139-11d1-9106-a43f08d823a6 ro"
PROC = {
    "cpuinfo": BARE_METAL,
    "meminfo": MEMINFO,
    "cmdline": f"{ROOT_WORDS} mitigations=auto preempt=full\n",
    "sys/kernel/random/boot_id": f"{BOOT}\n",
    "sys/kernel/numa_balancing": "0\n",
    "self/cgroup": "0::/system.slice/soakd.service\n",
}
IDENTITY = {
    "class/dmi/id/sys_vendor": "Host House",
    "class/dmi/id/product_name": "Lantern",
    "class/dmi/id/board_vendor": "Board House",
    "class/dmi/id/board_name": "X670E",
    "class/dmi/id/board_version": "1.02",
    "class/dmi/id/bios_vendor": "Firm",
    "class/dmi/id/bios_version": "2.10",
    "class/dmi/id/bios_date": "03/01/2025",
    "class/dmi/id/bios_release": "5.27",
    "class/dmi/id/board_serial": "SECRET-1",
    "class/dmi/id/product_uuid": "SECRET-2",
}
KERNEL = {
    "devices/system/clocksource/clocksource0/current_clocksource": "tsc",
    "kernel/mm/transparent_hugepage/enabled": "always [madvise] never",
    f"{CPU}/isolated": "",
    f"{CPU}/nohz_full": "(null)",
    f"{CPU}/smt/control": "on",
    f"{CPU}/smt/active": "1",
    f"{CPU}/cpuidle/current_driver": "acpi_idle",
    f"{CPU}/cpuidle/current_governor_ro": "menu",
    f"{CPU}/vulnerabilities/meltdown": "Not affected",
    f"{CPU}/vulnerabilities/spectre_v1": "Mitigation: x",
    f"{CPU}/amd_pstate/status": "active",
    f"{CPU}/intel_pstate/min_perf_pct": "12",
    f"{CPU}/intel_pstate/max_perf_pct": "100",
    f"{CPU}/cpufreq/boost": "1",
}
"""Of two drivers' files, so that everything is there at once."""
GROUPS = {
    "fs/cgroup/cgroup.controllers": "cpuset cpu io memory pids",
    "fs/cgroup/cpuset.cpus.effective": "0-31",
    "fs/cgroup/system.slice/cpuset.cpus.effective": "0-31",
    "fs/cgroup/system.slice/cpuset.mems.effective": "0",
    "fs/cgroup/system.slice/cpu.max": "max 100000",
    "fs/cgroup/system.slice/memory.max": "max",
    "fs/cgroup/system.slice/soakd.service/cpu.max": "max 100000",
    "fs/cgroup/system.slice/soakd.service/memory.max": "max",
}
ZONE = "class/powercap/intel-rapl:0"
POWER = {
    f"{ZONE}/name": "package-0",
    f"{ZONE}/enabled": "1",
    f"{ZONE}/energy_uj": "123456789",
    f"{ZONE}/constraint_0_name": "long_term",
    f"{ZONE}/constraint_0_power_limit_uw": "125000000",
    f"{ZONE}/constraint_0_time_window_us": "55967744",
    f"{ZONE}/constraint_1_name": "short_term",
    f"{ZONE}/constraint_1_power_limit_uw": "253000000",
    f"{ZONE}/constraint_1_time_window_us": "2440",
}
EDAC = {
    "devices/system/edac/mc/mc0/mc_name": "F19h_M60h",
    "devices/system/edac/mc/mc0/dimm0/dimm_edac_mode": "SECDED",
    "devices/system/edac/mc/mc0/dimm1/dimm_edac_mode": "SECDED",
}


def core_files(core: int, *, cores: int) -> dict[str, object]:
    """One thread of a processor with two threads to a core, and a last-level cache for each half of the cores."""
    folder, half = f"{CPU}/cpu{core}", cores // 2
    own = core % half
    pair = f"{own},{own + half}"
    group = 0 if own < half // 2 else 1
    first, last = (0, half // 2 - 1) if group == 0 else (half // 2, half - 1)
    caches = [
        (1, "Data", "32K", pair),
        (1, "Instruction", "32K", pair),
        (2, "Unified", "1024K", pair),
        (3, "Unified", "32768K", f"{first}-{last},{first + half}-{last + half}"),
    ]
    files: dict[str, object] = {
        f"{folder}/topology/physical_package_id": 0,
        f"{folder}/topology/die_id": group,
        f"{folder}/topology/core_id": own + 8 * group,
        f"{folder}/topology/core_cpus_list": pair,
        f"{folder}/cpu_capacity": 1024,
        f"{folder}/acpi_cppc/highest_perf": 166 - own,
        f"{folder}/acpi_cppc/nominal_perf": 125,
        f"{folder}/acpi_cppc/nominal_freq": 4501,
        f"{folder}/cpuidle/state0/name": "POLL",
        f"{folder}/cpuidle/state0/disable": 0,
        f"{folder}/cpuidle/state1/name": "C1",
        f"{folder}/cpuidle/state1/disable": 0,
        f"{folder}/cpuidle/state2/name": "C2",
        f"{folder}/cpuidle/state2/disable": 1,
    }
    for index, (level, kind, size, users) in enumerate(caches):
        place = f"{folder}/cache/index{index}"
        files |= {
            f"{place}/level": level,
            f"{place}/type": kind,
            f"{place}/size": size,
            f"{place}/shared_cpu_list": users,
        }
    return files | policy_files(core)


def policy_files(core: int, **changes: object) -> dict[str, object]:
    folder = f"{CPU}/cpufreq/policy{core}"
    files = {
        "affected_cpus": core,
        "scaling_driver": "amd-pstate-epp",
        "scaling_governor": "performance",
        "energy_performance_preference": "performance",
        "scaling_min_freq": 400000,
        "scaling_max_freq": 5881000,
        "cpuinfo_min_freq": 400000,
        "cpuinfo_max_freq": 5881000,
        "base_frequency": 4501000,
        "boost": 1,
    }
    return {f"{folder}/{file}": content for file, content in {**files, **changes}.items()}


def desktop(cores: int = 32) -> dict[str, object]:
    """Everything that can be told, under sys."""
    files: dict[str, object] = {
        **IDENTITY, **KERNEL, **GROUPS, **POWER, **EDAC,
        f"{CPU}/online": f"0-{cores - 1}",
        "devices/system/node/node0/cpulist": f"0-{cores - 1}",
        "bus/event_source/devices/cpu_core/cpus": f"0-{cores - 1}",
        **firmware([ARRAY, *MODULES, SOCKET]),
    }  # fmt: skip
    for core in range(cores):
        files |= core_files(core, cores=cores)
    return files


def write(root: Path, files: Mapping[str, object]) -> Path:
    """Text with a line's end, bytes as they are, None as a folder in place of the file; returns `root`."""
    for name, content in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if content is None:
            path.mkdir()
        else:
            path.write_bytes(content if isinstance(content, bytes) else f"{content}\n".encode())
    return root


def structure(kind: int, handle: int, body: bytes, *strings: bytes) -> bytes:
    """Header, formatted area, strings, two zero bytes (DSP0134, 6.1)."""
    texts = b"".join(text + b"\0" for text in strings)
    return struct.pack("<BBH", kind, 4 + len(body), handle) + body + (texts or b"\0") + b"\0"


def memory_array(*, use: int = 3, correction: int = 3, handle: int = 0x10) -> bytes:
    """Type 16: location, use, error correction, largest capacity, error handle, number of devices."""
    return structure(16, handle, struct.pack("<BBBIHH", 3, use, correction, 0x8000_0000, 0xFFFE, 4))


def memory_device(
    *, handle: int = 0x11, array: int = 0x10, size: int = 0x7FFF, extended_size: int = 32768, kind: int = 0x22,
    speed: int = 4800, configured: int = 6000, voltage: int = 1350, attributes: int = 2, extended_speed: int = 0,
    extended_configured: int = 0, slot: bytes = b"DIMM_A1", bank: bytes = b"P0 CHANNEL A", length: int = 0x5C,
) -> bytes:  # fmt: skip
    """Type 17 of version 3.3; a smaller `length` makes it an older one."""
    body = struct.pack("<HHHHHBBBBBHH", array, 0xFFFE, 64, 64, size, 9, 0, 1, 2, kind, 0x4080, speed)
    body += struct.pack("<BBBBBIHHHH", 3, 4, 0, 5, attributes, extended_size, configured, 1100, 1350, voltage)
    body += struct.pack("<BHBHHHHQQQQII", 3, 8, 0, 0, 0, 0, 0, 0, 0, 0, 0, extended_speed, extended_configured)
    assert len(body) + 4 == 0x5C
    return structure(17, handle, body[: length - 4], slot, bank, b"Maker", b"SERIAL-3", b"PART-6000 ")


def processor_socket(*, status: int = 0x41, voltage: int = 0x8B, cores: int = 16, wide: int = 16) -> bytes:
    """Type 4 of version 3.0."""
    body = struct.pack("<BBBBQBBHHHBB", 1, 3, 0x6B, 2, 0, 3, voltage, 100, 5850, 4500, status, 0x49)
    body += struct.pack("<HHHBBBBBBHHHHH", 0x20, 0x21, 0x22, 0, 0, 0, cores, cores, 32, 0xFC, 0x6B, wide, wide, 32)
    assert len(body) + 4 == 0x30
    return structure(4, 0x23, body, b"AM5", b"Maker", b"Processor X")


ARRAY = memory_array()
MODULES = (
    memory_device(),
    memory_device(handle=0x12, slot=b"DIMM_B1", bank=b"P0 CHANNEL B"),
    memory_device(handle=0x13, slot=b"DIMM_B2", size=0),
)
SOCKET = processor_socket()
END = structure(127, 0x7F, b"")


def entry_point_3(size: int, *, anchor: bytes = b"_SM3_") -> bytes:
    """DSP0134, 5.2.2: the bytes add up to zero."""
    return summed(anchor + struct.pack("<BBBBBBBIQ", 0, 0x18, 3, 8, 0, 1, 0, size, 0x1000), at=5)


def entry_point_2(size: int, count: int) -> bytes:
    """DSP0134, 5.2.1: so they do in the last fifteen, and in all."""
    inner = summed(b"_DMI_" + struct.pack("<BHIHB", 0, size, 0x1000, count, 0x28), at=5)
    return summed(b"_SM_" + struct.pack("<BBBBHB5s", 0, 0x1F, 2, 8, 256, 0, b"") + inner, at=4)


def summed(entry: bytes, *, at: int) -> bytes:
    return entry[:at] + bytes([(entry[at] - sum(entry)) % 256]) + entry[at + 1 :]


def firmware(parts: Iterable[bytes]) -> dict[str, object]:
    table = b"".join([*parts, END])
    return {
        "firmware/dmi/tables/smbios_entry_point": entry_point_3(len(table)),
        "firmware/dmi/tables/DMI": table,
    }
