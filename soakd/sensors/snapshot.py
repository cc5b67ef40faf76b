"""What the operating system shows of settings and hardware, read from proc and sys with injectable roots."""

from __future__ import annotations

import os
import platform
import re
from dataclasses import dataclass, field
from pathlib import Path

from soakd.model.snapshot import Snapshot


@dataclass(slots=True)
class _Reader:
    """Reads small files; remembers for each field why it could not be read."""

    proc: Path
    sys: Path
    absent: dict[str, str] = field(default_factory=dict)

    def text(self, name: str, path: Path) -> str | None:
        try:
            return path.read_text(encoding="utf-8", errors="replace").strip() or None
        except OSError as error:
            self.absent[name] = f"{path}: {error.strerror}"
            return None

    def whole(self, name: str, path: Path, *, divide_by: int = 1) -> int | None:
        text = self.text(name, path)
        return int(text) // divide_by if text is not None and text.isdigit() else None


def take_snapshot(proc: Path = Path("/proc"), sys: Path = Path("/sys")) -> Snapshot:
    """One look at everything; a source that is absent is named in `absent`."""
    read = _Reader(proc, sys)
    cpu = _cpu_fields(read)
    memory = _memory_fields(read)
    policy = sys / "devices/system/cpu/cpufreq/policy0"
    return Snapshot(
        machine=platform.machine(),
        processor=cpu.get("model name"),
        family_model_stepping=_family_model_stepping(cpu),
        microcode=cpu.get("microcode"),
        logical_cores=os.cpu_count() or 1,
        cores_allowed=ranges(os.sched_getaffinity(0)),
        memory_total_mib=memory.get("MemTotal", 0) // 1024,
        swap_total_mib=memory.get("SwapTotal", 0) // 1024,
        board=_joined(read, "board", "board_vendor", "board_name"),
        firmware=_joined(read, "firmware", "bios_vendor", "bios_version", "bios_date"),
        kernel=f"{platform.release()} {platform.version()}",
        boot_id=boot_id(proc),
        governor=read.text("governor", policy / "scaling_governor"),
        boost=read.text("boost", sys / "devices/system/cpu/cpufreq/boost"),
        minimum_clock_mhz=read.whole("minimum_clock_mhz", policy / "scaling_min_freq", divide_by=1000),
        maximum_clock_mhz=read.whole("maximum_clock_mhz", policy / "scaling_max_freq", divide_by=1000),
        mitigations=_mitigations(read),
        virtualisation=_virtualisation(read, cpu),
        absent=read.absent,
    )


def boot_id(proc: Path = Path("/proc")) -> str:
    """A value that is new at every boot (random(4))."""
    return (proc / "sys/kernel/random/boot_id").read_text(encoding="ascii").strip()


def ranges(cores: set[int]) -> str:
    """Core numbers as the kernel writes lists: 0-3,8."""
    parts: list[list[int]] = []
    for core in sorted(cores):
        if parts and core == parts[-1][1] + 1:
            parts[-1][1] = core
        else:
            parts.append([core, core])
    return ",".join(f"{low}-{high}" if low != high else f"{low}" for low, high in parts)


def _cpu_fields(read: _Reader) -> dict[str, str]:
    """Fields of the first processor in /proc/cpuinfo."""
    first = (read.text("processor", read.proc / "cpuinfo") or "").split("\n\n", 1)[0]
    pairs = (line.partition(":") for line in first.splitlines())
    return {key.strip(): value.strip() for key, _, value in pairs}


def _family_model_stepping(cpu: dict[str, str]) -> str | None:
    keys = ("cpu family", "model", "stepping")
    return "-".join(cpu[key] for key in keys) if all(key in cpu for key in keys) else None


def _memory_fields(read: _Reader) -> dict[str, int]:
    """/proc/meminfo in KiB."""
    text = read.text("memory_total_mib", read.proc / "meminfo") or ""
    return {m[1]: int(m[2]) for m in re.finditer(r"^(\w+):\s+(\d+)", text, re.MULTILINE)}


def _joined(read: _Reader, name: str, *files: str) -> str | None:
    texts = [read.text(name, read.sys / "class/dmi/id" / file) for file in files]
    return " ".join(text for text in texts if text) or None


def _mitigations(read: _Reader) -> dict[str, str]:
    folder = read.sys / "devices/system/cpu/vulnerabilities"
    if not folder.is_dir():
        read.absent["mitigations"] = f"{folder}: no such folder"
        return {}
    found = {path.name: read.text("mitigations", path) for path in sorted(folder.iterdir())}
    return {name: text for name, text in found.items() if text}


def _virtualisation(read: _Reader, cpu: dict[str, str]) -> str | None:
    """Who runs us, as far as the guest is told: the hypervisor's name, or only that there is one."""
    if (read.sys / "hypervisor/type").is_file():
        return read.text("virtualisation", read.sys / "hypervisor/type")
    if "hypervisor" not in cpu.get("flags", "").split():
        return None
    try:
        vendor = (read.sys / "class/dmi/id/sys_vendor").read_text(encoding="utf-8").strip()
    except OSError:
        vendor = ""
    return f"hypervisor flag{', ' + vendor if vendor else ''}"
