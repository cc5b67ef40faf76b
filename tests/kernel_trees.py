"""Trees of the kernel's other sensor classes, written under any folder as their documents describe them.

powercap: Documentation/power/powercap/powercap.rst ("Example sysfs interface tree"). edac:
Documentation/admin-guide/ras.rst ("dimmX or rankX directories") and the file names of drivers/edac/edac_mc_sysfs.c.
thermal_throttle: the attributes of drivers/thermal/intel/therm_throt.c, beside topology/ of
Documentation/ABI/stable/sysfs-devices-system-cpu.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench_tree import put

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

RANGE_UJ = 262_143_328_850
"""2^32 units of 61 µJ (drivers/powercap/intel_rapl_common.c)."""

Tree = dict[str, object]


def make(root: Path, files: Mapping[str, object]) -> Path:
    """Write the files, by their paths under `root`; returns `root`."""
    root.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        put(root / name, content)
    return root


def zone(name: str, energy_uj: object = 0, *, range_uj: object = RANGE_UJ, enabled: object = 1) -> Tree:
    """One power zone's own files."""
    return {"name": name, "energy_uj": energy_uj, "max_energy_range_uj": range_uj, "enabled": enabled}


def powercap(zones: Mapping[str, Tree]) -> Tree:
    """`intel-rapl:0:1` and the like to their files; the class shows all side by side, and their control types."""
    controls = {f"{zone.partition(':')[0]}/enabled": 1 for zone in zones}
    return {**controls, **{f"{place}/{file}": content for place, own in zones.items() for file, content in own.items()}}


DESKTOP_ZONES = {
    "intel-rapl:0": zone("package-0", 5_000_000),
    "intel-rapl:0:0": zone("core", 3_000_000, enabled=0),
    "intel-rapl:0:1": zone("uncore", 70_000, enabled=0),
    "intel-rapl:1": zone("psys", 9_000_000),
    "intel-rapl-mmio:0": zone("package-0", 5_000_100),
}
"""A desktop whose package is shown by both of the processor's interfaces."""


def controller(modules: Mapping[str, str], *, age_s: object = 86_400, folder: str = "dimm") -> Tree:
    """One memory controller; module labels by number."""
    own: Tree = {
        "mc_name": "F19h_M70h", "size_mb": 65536, "seconds_since_reset": age_s, "ce_count": 0, "ue_count": 0,
        "ce_noinfo_count": 0, "ue_noinfo_count": 0, "max_location": "csrow 3 channel 1", "reset_counters": b"",
    }  # fmt: skip
    for number, label in modules.items():
        own |= {
            f"{folder}{number}/dimm_label": label,
            f"{folder}{number}/dimm_ce_count": 0,
            f"{folder}{number}/dimm_ue_count": 0,
            f"{folder}{number}/size": 16384,
        }
    return own


def edac(*controllers: Tree) -> Tree:
    return {f"mc{number}/{file}": content for number, own in enumerate(controllers) for file, content in own.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Thread:
    """One logical core, where it stands, and what it shows."""

    package: object = 0
    core: object = 0
    die: object = 0
    core_events: object = 0
    package_events: object = 0
    core_ms: object = 0
    package_ms: object = 0


def throttling(threads: Sequence[Thread]) -> Tree:
    """All logical cores by number; `possible`, `cpufreq` and `cpuidle` stand beside them."""
    tree: Tree = {"possible": "0-7", "cpufreq/boost": 1, "cpuidle/current_driver": "intel_idle"}
    for number, thread in enumerate(threads):
        tree |= {
            f"cpu{number}/topology/physical_package_id": thread.package,
            f"cpu{number}/topology/core_id": thread.core,
            f"cpu{number}/topology/die_id": thread.die,
        }
        for of, events, time_ms in (
            ("core", thread.core_events, thread.core_ms),
            ("package", thread.package_events, thread.package_ms),
        ):
            tree |= {
                f"cpu{number}/thermal_throttle/{of}_throttle_count": events,
                f"cpu{number}/thermal_throttle/{of}_throttle_max_time_ms": 0,
                f"cpu{number}/thermal_throttle/{of}_throttle_total_time_ms": time_ms,
            }
    return tree
