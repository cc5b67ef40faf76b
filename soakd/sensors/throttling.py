"""How often, and for how long, cores and packages have held themselves back for heat or power.

`thermal_throttle/` of each logical core (Documentation/ABI/testing/sysfs-devices-system-cpu,
drivers/thermal/intel/therm_throt.c), on processors that tell. Counted since the source was made. All logical cores of a
package show the package's count, and both threads of a core the core's, so one of them is read and none are added up. A
time is known only once its throttling ends, and short peaks have none: the events are the evidence.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from soakd.model.channels import Channel, Role
from soakd.model.journal import Throttles
from soakd.sensors.attributes import AbsentError, whole_of
from soakd.sensors.counted import Counted
from soakd.sensors.inputs import Gap, count, entries

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

ROOT = Path("/sys/devices/system/cpu")
_CORE = re.compile(r"cpu(\d{1,6})", re.ASCII)
_KINDS = (("count", "events", Role.THROTTLE_EVENTS, 1.0), ("total_time_ms", "time", Role.THROTTLED_TIME, 1e-3))


class ThrottleSource:
    """All cores and packages that were online when the source was made."""

    name = "throttling"

    def __init__(self, root: Path = ROOT) -> None:
        self._meters = list(_meters(root))

    def channels(self) -> Sequence[Channel]:
        return [meter.channel for meter in self._meters]

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        values: dict[str, float] = {}
        gaps: dict[str, str] = {}
        for meter in self._meters:
            try:
                values[meter.channel.name] = meter.read()
            except Gap as gap:
                gaps[meter.channel.name] = str(gap)
        return values, gaps


@dataclass(frozen=True, slots=True)
class _Meter:
    channel: Channel
    files: tuple[Counted, ...]
    """All show the same; a core that goes offline takes its own away."""
    scale: float

    def read(self) -> float:
        """What the first of them says that can be read. Raises Gap."""
        reasons = []
        for file in self.files:
            try:
                return file.read() * self.scale
            except Gap as gap:
                reasons.append(gap)
        raise reasons[0]


def _meters(root: Path) -> Iterator[_Meter]:
    packages: dict[str, list[Path]] = {}
    cores: dict[str, list[Path]] = {}
    for folder in _folders(root):
        package, core = _place(folder)
        packages.setdefault(package, []).append(folder)
        cores.setdefault(f"{package}/{core}", []).append(folder)
    for of, places in (("package", packages), ("core", cores)):
        for end, word, role, scale in _KINDS:
            for place, folders in places.items():
                files = _shown(folders, f"thermal_throttle/{of}_throttle_{end}")
                if files:
                    yield _Meter(Channel(name=f"throttling/{place} {word}", role=role), files, scale)


def _folders(root: Path) -> list[Path]:
    numbers = sorted(int(match[1]) for name in entries(root) if (match := _CORE.fullmatch(name)))
    return [root / f"cpu{number}" for number in dict.fromkeys(numbers)]


def _place(folder: Path) -> tuple[str, str]:
    """Package and core by the numbers of the hardware; what the kernel does not place is a core of its own."""
    package = _number(folder, "physical_package_id")
    core, die = _number(folder, "core_id"), _number(folder, "die_id")
    if package is None or core is None:
        return f"package of {folder.name}" if package is None else f"package {package}", folder.name
    return f"package {package}", f"die {die} core {core}" if die else f"core {core}"


def _number(folder: Path, file: str) -> int | None:
    try:
        return count(folder / "topology" / file)
    except Gap:
        return None


def _shown(folders: Iterable[Path], file: str) -> tuple[Counted, ...]:
    return tuple(Counted(folder / file) for folder in folders if (folder / file).exists())


def throttles(sys: Path = Path("/sys")) -> Throttles | None:
    """Counts since the boot by logical core, its package's added. None where the system does not count.

    The power counts stand in drivers/thermal/intel/therm_throt.c alone.
    """
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
