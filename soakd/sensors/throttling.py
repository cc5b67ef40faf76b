"""How often the processor has held itself back for heat or power, as the kernel counts it since the boot.

Per logical core in `thermal_throttle/`, on processors that tell (Documentation/ABI/testing/sysfs-devices-system-cpu;
the power counts stand in drivers/thermal/intel/therm_throt.c alone).
"""

from __future__ import annotations

from pathlib import Path

from soakd.model.journal import Throttles
from soakd.sensors.attributes import AbsentError, whole_of


def throttles(sys: Path = Path("/sys")) -> Throttles | None:
    """A core's count and its package's are added. None where the system does not count."""
    folders = {
        int(folder.parent.name.removeprefix("cpu")): folder
        for folder in sys.glob("devices/system/cpu/cpu[0-9]*/thermal_throttle")
    }
    heat = {core: _sum(folder, "core_throttle_count", "package_throttle_count") for core, folder in folders.items()}
    power = {
        core: _sum(folder, "core_power_limit_count", "package_power_limit_count") for core, folder in folders.items()
    }
    return Throttles(heat=_known(heat), power=_known(power)) if folders else None


def _sum(folder: Path, *names: str) -> int | None:
    counts = [count for name in names if (count := _count(folder / name)) is not None]
    return sum(counts) if counts else None


def _count(path: Path) -> int | None:
    try:
        return whole_of(path)
    except AbsentError:
        return None  # not every processor has every count


def _known(counts: dict[int, int | None]) -> dict[int, int]:
    return {core: count for core, count in sorted(counts.items()) if count is not None}
