"""Made sensors: files laid out as the kernel lays out its own, which a drill changes while a run reads them.

Documentation/hwmon/sysfs-interface.rst, Documentation/admin-guide/ras.rst, drivers/thermal/intel/therm_throt.c,
Documentation/ABI/testing/sysfs-class-dmi; proc(5) for the rest.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from soakd.service.drill.namespace import show

TEMPERATURE: Final = "class/hwmon/hwmon0/temp1_input"
FAULT: Final = "class/hwmon/hwmon0/temp1_fault"
CORRECTED: Final = "devices/system/edac/mc/mc0/dimm0/dimm_ce_count"
FIRMWARE_DATE: Final = "class/dmi/id/bios_date"
SWAP: Final = "vmstat"
CHANNEL: Final = "hwmon/k10temp/Tctl"
REST_C: Final = 45.0
COOLANT_C: Final = 30.0


def throttle_count() -> str:
    """Of the first core that a run may use."""
    return f"devices/system/cpu/cpu{min(os.sched_getaffinity(0))}/thermal_throttle/core_throttle_count"


def _sensor() -> dict[str, str]:
    chip, loop = "class/hwmon/hwmon0", "class/hwmon/hwmon1"
    return {
        f"{chip}/name": "k10temp",
        f"{chip}/temp1_label": "Tctl",
        f"{chip}/temp1_crit": "95000",
        TEMPERATURE: f"{REST_C * 1000:.0f}",
        FAULT: "0",
        f"{loop}/name": "loop",
        f"{loop}/temp1_label": "Coolant",
        f"{loop}/temp1_input": f"{COOLANT_C * 1000:.0f}",
    }


def _memory() -> dict[str, str]:
    controller = "devices/system/edac/mc/mc0"
    counts = {f"{controller}/{name}": "0" for name in ("ce_count", "ue_count", "ce_noinfo_count", "ue_noinfo_count")}
    module = {f"{controller}/dimm0/dimm_label": "DIMM_A1", f"{controller}/dimm0/dimm_ue_count": "0", CORRECTED: "0"}
    return {**counts, **module, f"{controller}/mc_name": "made", f"{controller}/seconds_since_reset": "86400"}


def _throttling() -> dict[str, str]:
    count = throttle_count()
    return {count: "0", count.replace("core_", "package_"): "0"}


_PARTS: Final = {
    "sensor": ("class/hwmon", _sensor),
    "memory": ("devices/system/edac/mc", _memory),
    "throttling": ("", _throttling),
    "firmware": ("class/dmi/id", lambda: {FIRMWARE_DATE: "03/01/2026", "class/dmi/id/bios_version": "2.10"}),
    "swap": ("/proc/vmstat", lambda: {SWAP: "pswpin 0\npswpout 0"}),
}
"""Part of the tree to where it is shown, and its files."""


class Tree:
    """The chosen parts, written under a folder that stays in the drill's hands."""

    def __init__(self, root: Path, parts: tuple[str, ...]) -> None:
        self._root = root
        self._parts = parts
        for part in parts:
            for name, content in _PARTS[part][1]().items():
                (root / name).parent.mkdir(parents=True, exist_ok=True)
                (root / name).write_text(f"{content}\n", encoding="ascii")

    def show(self, spare: Path) -> None:
        """In the namespace of the calling process. Raises OSError."""
        for part in self._parts:
            place, files = _PARTS[part]
            if place.startswith("/"):
                show(self._root / next(iter(files())), Path(place), spare)
            else:
                within = place or str(Path(next(iter(files()))).parent)
                show(self._root / within, Path("/sys") / within, spare)

    def put(self, name: str, content: object) -> None:
        """A new content in one step: a reader sees the old or the new one. What is shown alone is written over."""
        path = self._root / name
        if "/" not in name:
            path.write_text(f"{content}\n", encoding="ascii")
            return
        fresh = path.with_name(f".{path.name}.new")
        fresh.write_text(f"{content}\n", encoding="ascii")
        fresh.rename(path)

    def heat(self, celsius: float) -> None:
        self.put(TEMPERATURE, round(celsius * 1000))

    def remove_sensor(self) -> None:
        for path in (self._root / TEMPERATURE).parent.iterdir():
            path.unlink()
