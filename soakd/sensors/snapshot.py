"""What the operating system shows of settings and hardware, read from proc and sys with injectable roots."""

from __future__ import annotations

import os
import platform
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from soakd.model.snapshot import Snapshot

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(slots=True)
class _Reader:
    """Reads small files; remembers for each field why it could not be read."""

    proc: Path
    sys: Path
    absent: dict[str, str] = field(default_factory=dict)

    def text(self, name: str, path: Path) -> str | None:
        try:
            text = path.read_text(encoding="utf-8", errors="replace").strip()
        except OSError as error:
            self.absent[name] = f"{path}: {error.strerror}"
            return None
        if not text:
            self.absent[name] = f"{path}: empty"
        return text or None

    def wholes(self, name: str, paths: Sequence[Path], *, divide_by: int = 1) -> list[int]:
        texts = {path: self.text(name, path) for path in paths}
        for path, text in texts.items():
            if text is not None and not re.fullmatch(r"\d{1,18}", text, re.ASCII):
                self.absent[name] = f"{path}: not a whole number: {text[:20]!r}"
        return [int(text) // divide_by for text in texts.values() if text and re.fullmatch(r"\d{1,18}", text, re.ASCII)]


def take_snapshot(proc: Path = Path("/proc"), sys: Path = Path("/sys")) -> Snapshot:
    """One look at everything; a source that is absent is named in `absent`."""
    read = _Reader(proc, sys)
    cpu = _cpu_fields(read)
    memory = _memory_fields(read)
    policies = _policies(read)
    return Snapshot(
        machine=platform.machine(),
        processor=_field(read, "processor", cpu, "model name"),
        family_model_stepping=_family_model_stepping(read, cpu),
        microcode=_field(read, "microcode", cpu, "microcode"),
        logical_cores=os.cpu_count() or 1,
        cores_allowed=ranges(os.sched_getaffinity(0)),
        memory_total_mib=memory.get("MemTotal", 0) // 1024,
        swap_total_mib=memory.get("SwapTotal", 0) // 1024,
        board=_joined(read, "board", "board_vendor", "board_name"),
        firmware=_joined(read, "firmware", "bios_vendor", "bios_version", "bios_date"),
        kernel=f"{platform.release()} {platform.version()}",
        boot_id=boot_id(proc),
        governor=_governor(read, policies),
        boost=_boost(read),
        minimum_clock_mhz=min(_clocks_mhz(read, "minimum_clock_mhz", policies, "scaling_min_freq"), default=None),
        maximum_clock_mhz=max(_clocks_mhz(read, "maximum_clock_mhz", policies, "scaling_max_freq"), default=None),
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


def _field(read: _Reader, name: str, cpu: dict[str, str], key: str) -> str | None:
    if not cpu.get(key):
        read.absent.setdefault(name, f"{read.proc / 'cpuinfo'}: has no `{key}`")
    return cpu.get(key) or None


def _family_model_stepping(read: _Reader, cpu: dict[str, str]) -> str | None:
    """The maker's numbers: family, model, stepping of x86; implementer, variant, part, revision of Arm's MIDR_EL1."""
    for keys in (
        ("cpu family", "model", "stepping"),
        ("CPU implementer", "CPU variant", "CPU part", "CPU revision"),
    ):
        if all(cpu.get(key) for key in keys):
            return "-".join(cpu[key] for key in keys)
    read.absent["family_model_stepping"] = f"{read.proc / 'cpuinfo'}: has none"
    return None


def _policies(read: _Reader) -> list[Path]:
    """One folder for each group of cores whose clock is set together (Documentation/admin-guide/pm/cpufreq.rst)."""
    folder = read.sys / "devices/system/cpu/cpufreq"
    found = sorted(folder.glob("policy*"), key=lambda path: (len(path.name), path.name))
    if not found:
        reason = f"{folder}: no policies"
        read.absent |= dict.fromkeys(("governor", "minimum_clock_mhz", "maximum_clock_mhz"), reason)
    return found


def _governor(read: _Reader, policies: Sequence[Path]) -> str | None:
    """The governor of all cores; every one by name when they differ."""
    texts = {read.text("governor", policy / "scaling_governor") for policy in policies}
    return ", ".join(sorted(text for text in texts if text)) or None


def _boost(read: _Reader) -> str | None:
    """1 when clocks above the base may be taken; one driver says the opposite (Documentation/admin-guide/pm)."""
    folder = read.sys / "devices/system/cpu"
    no_turbo = folder / "intel_pstate/no_turbo"
    if (folder / "cpufreq/boost").exists() or not no_turbo.exists():
        return read.text("boost", folder / "cpufreq/boost")
    text = read.text("boost", no_turbo)
    return {"0": "1", "1": "0"}.get(text or "", text)


def _clocks_mhz(read: _Reader, name: str, policies: Sequence[Path], file: str) -> list[int]:
    """Limits in MHz; the kernel writes kHz."""
    return read.wholes(name, [policy / file for policy in policies], divide_by=1000)


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
    vendor = _Reader(read.proc, read.sys).text("vendor", read.sys / "class/dmi/id/sys_vendor")
    return f"hypervisor flag{', ' + vendor if vendor else ''}"
