"""What the operating system shows of settings and hardware, read from proc and sys with injectable roots."""

from __future__ import annotations

import os
import platform
import re
from pathlib import Path
from typing import TYPE_CHECKING

from soakd.model.corelist import ranges
from soakd.model.snapshot import Snapshot
from soakd.sensors.attributes import AbsentError, Attributes, text_of
from soakd.sensors.kernel import read_kernel_settings, read_mitigations
from soakd.sensors.memory import read_controllers, read_tables
from soakd.sensors.policies import read_boost, read_clock_control, read_performance, read_policies
from soakd.sensors.restraints import read_own_limits, read_power_zones
from soakd.sensors.topology import read_topology

if TYPE_CHECKING:
    from collections.abc import Mapping

_CPUINFO_BYTES = 16_384
"""More than one processor's fields; reading those of hundreds would take longer than everything else."""
_IDENTITY = {
    "product_vendor": "sys_vendor",
    "product_name": "product_name",
    "board_vendor": "board_vendor",
    "board_name": "board_name",
    "board_version": "board_version",
    "firmware_vendor": "bios_vendor",
    "firmware_version": "bios_version",
    "firmware_date": "bios_date",
    "firmware_release": "bios_release",
}
"""Field to file under class/dmi/id. Serial numbers and the machine's UUID lie there too: they name a purchase or a
person, no setting, and are not read."""


def take_snapshot(proc: Path = Path("/proc"), sys: Path = Path("/sys")) -> Snapshot:
    """One look at everything; a source that is absent is named in `absent`."""
    read = Attributes(proc, sys)
    cpu = _cpu_fields(read)
    memory = _memory_mib(read)
    modules, correction, sockets = read_tables(read)
    return Snapshot(
        machine=platform.machine(),
        processor=_field(read, "processor", cpu, "model name"),
        family_model_stepping=_family_model_stepping(read, cpu),
        microcode=_field(read, "microcode", cpu, "microcode"),
        logical_cores=os.cpu_count() or 1,
        cores_allowed=ranges(os.sched_getaffinity(0)),
        topology=read_topology(read),
        timestamp_clock_mhz=_timestamp_clock_mhz(read, cpu),
        clock_control=read_clock_control(read),
        clock_policies=read_policies(read),
        boost=read_boost(read),
        least_performance_percent=read_performance(read, "min"),
        most_performance_percent=read_performance(read, "max"),
        memory_total_mib=memory.get("MemTotal", 0),
        memory_gib=-(-memory["MemTotal"] // 1024) if "MemTotal" in memory else None,
        swap_total_mib=memory.get("SwapTotal", 0),
        memory_modules=modules,
        memory_error_correction=correction,
        memory_controllers=read_controllers(read),
        sockets=sockets,
        power_zones=read_power_zones(read),
        kernel=f"{platform.release()} {platform.version()}",
        kernel_settings=read_kernel_settings(read),
        own_limits=read_own_limits(read),
        mitigations=read_mitigations(read),
        virtualisation=_virtualisation(read, cpu),
        boot_id=read.text("boot_id", f"{proc}/sys/kernel/random/boot_id") or "",
        absent=read.absent,
        **{field: read.text(field, f"{sys}/class/dmi/id/{file}") for field, file in _IDENTITY.items()},
    )


def boot_id(proc: Path = Path("/proc")) -> str:
    """A value that is new at every boot (random(4))."""
    return (proc / "sys/kernel/random/boot_id").read_text(encoding="ascii").strip()


def _cpu_fields(read: Attributes) -> dict[str, str]:
    """Fields of the first processor in /proc/cpuinfo."""
    text = read.tried("processor", lambda: text_of(f"{read.proc}/cpuinfo", _CPUINFO_BYTES, cut=True)) or ""
    pairs = (line.partition(":") for line in text.split("\n\n", 1)[0].splitlines())
    return {key.strip(): value.strip() for key, _, value in pairs}


def _field(read: Attributes, name: str, cpu: Mapping[str, str], key: str) -> str | None:
    if not cpu.get(key):
        read.absent.setdefault(name, f"not there: {read.proc}/cpuinfo: no `{key}`")
    return cpu.get(key) or None


def _family_model_stepping(read: Attributes, cpu: Mapping[str, str]) -> str | None:
    """The maker's numbers: family, model, stepping of x86; implementer, variant, part, revision of Arm's MIDR_EL1."""
    for keys in (
        ("cpu family", "model", "stepping"),
        ("CPU implementer", "CPU variant", "CPU part", "CPU revision"),
    ):
        if all(cpu.get(key) for key in keys):
            return "-".join(cpu[key] for key in keys)
    read.absent["family_model_stepping"] = f"not there: {read.proc}/cpuinfo: has none"
    return None


def _timestamp_clock_mhz(read: Attributes, cpu: Mapping[str, str]) -> int | None:
    """Half of `bogomips`: x86 with a constant counter derives that from the counter's clock (arch/x86/kernel/tsc.c)."""
    match = re.fullmatch(r"(\d{1,6}\.\d\d)", cpu.get("bogomips", ""), re.ASCII)
    if match and "constant_tsc" in cpu.get("flags", "").split():
        return round(float(match[1]) / 2.0)
    read.absent["timestamp_clock_mhz"] = f"not there: {read.proc}/cpuinfo: no `bogomips` with `constant_tsc`"
    return None


def _memory_mib(read: Attributes) -> dict[str, int]:
    """/proc/meminfo, which is in KiB."""
    text = read.text("memory_total_mib", f"{read.proc}/meminfo") or ""
    found = {m[1]: int(m[2]) // 1024 for m in re.finditer(r"^(\w+):\s+(\d{1,18})", text, re.MULTILINE | re.ASCII)}
    for field, key in (("memory_total_mib", "MemTotal"), ("memory_gib", "MemTotal"), ("swap_total_mib", "SwapTotal")):
        if key not in found:
            read.absent.setdefault(field, f"not there: {read.proc}/meminfo: no `{key}`")
    return found


def _virtualisation(read: Attributes, cpu: Mapping[str, str]) -> str | None:
    """Who runs us, as far as the guest is told: the hypervisor's name, or only that there is one."""
    try:
        return text_of(f"{read.sys}/hypervisor/type")
    except AbsentError:
        if "hypervisor" not in cpu.get("flags", "").split():
            return None
    try:
        return f"hypervisor flag, {text_of(f'{read.sys}/class/dmi/id/sys_vendor')}"
    except AbsentError:
        return "hypervisor flag"
