"""Power of the processor's parts, from the kernel's energy counters (Documentation/power/powercap/powercap.rst).

A zone has `energy_uj`, which turns over at `max_energy_range_uj`, or `power_uw`. Power is the mean between two
readings, so the first has none. Since Linux 5.10 root alone may read the counters (CVE-2020-8694). `enabled` tells of
the zone's limits and not of its meter, which goes on. A zone may be shown by two control types, one for each register
interface of the processor (`intel-rapl`, `intel-rapl-mmio`): it is one channel.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from soakd.model.channels import FOR_NOW, Channel, Role
from soakd.sensors.inputs import Gap, count, entries, printable, text

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from soakd.clock import Clock

ROOT = Path("/sys/class/powercap")
MOST_W = 2000.0
"""More than any part of a desktop draws; common practice, no source. Beyond it, the counter jumped or was set back."""
SHORTEST_S = 0.05
"""Counters are renewed about every millisecond (from memory); over less time than this that would show."""
_LONGEST_UNKNOWN_S = 30.0
"""Between two readings of a counter whose range is not known."""
_MICRO = 1e-6
_TWO_READINGS = f"{FOR_NOW}power takes two readings"
_ZONE = re.compile(r"(?P<control>[a-z][a-z0-9_-]*)(?P<place>(:\d{1,4})+)", re.ASCII)
_PACKAGE = re.compile(r"package-\d+(-die-\d+)?")


class PowercapSource:
    """All zones that the class had when the source was made; one that vanishes stays as a gap."""

    name = "powercap"

    def __init__(self, clock: Clock, root: Path = ROOT) -> None:
        self._zones = list(_metered(_zones(root), clock))

    def channels(self) -> Sequence[Channel]:
        return [zone.channel for zone in self._zones]

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        values: dict[str, float] = {}
        gaps: dict[str, str] = {}
        for zone in self._zones:
            try:
                values[zone.channel.name] = zone.power_w()
            except Gap as gap:
                gaps[zone.channel.name] = str(gap)
        return values, gaps


@dataclass(frozen=True, slots=True)
class _Zone:
    """One zone as it was found."""

    folder: Path
    control: str
    name: str
    """With the names of the zones that it is part of: package-0/core."""

    @property
    def package(self) -> bool:
        return _PACKAGE.fullmatch(self.name) is not None

    def has(self, file: str) -> bool:
        return os.path.lexists(self.folder / file)

    @property
    def readable(self) -> bool:
        for file in ("energy_uj", "power_uw"):
            with contextlib.suppress(Gap):
                return count(self.folder / file) >= 0
        return False


@dataclass(slots=True)
class _Power:
    """A zone that states its power."""

    channel: Channel
    path: Path

    def power_w(self) -> float:
        return count(self.path) * _MICRO


@dataclass(slots=True)
class _Energy:
    """A zone that counts its energy."""

    channel: Channel
    path: Path
    range_uj: int | None
    clock: Clock
    _before: tuple[int, float] | None = field(init=False, default=None)
    _moved: bool = field(init=False, default=False)
    _latest_w: float | None = field(init=False, default=None)
    _why: str = field(init=False, default=_TWO_READINGS)

    def __post_init__(self) -> None:
        with contextlib.suppress(Gap):
            self._before = count(self.path), self.clock.monotonic()

    def power_w(self) -> float:
        """The mean since the reading before; asked again too soon, what it said then. Raises Gap."""
        energy_uj, now_s = count(self.path), self.clock.monotonic()
        before, self._before = self._before, (energy_uj, now_s)
        if before is not None and now_s - before[1] < SHORTEST_S:
            self._before = before
        else:
            self._latest_w, self._why = None, _TWO_READINGS
            if before is not None:
                self._look(energy_uj - before[0], now_s - before[1])
        if self._latest_w is None:
            raise Gap(self._why)
        return self._latest_w

    def _look(self, used_uj: int, elapsed_s: float) -> None:
        try:
            self._latest_w = self._mean_w(used_uj, elapsed_s)
        except Gap as gap:
            self._why = str(gap)

    def _mean_w(self, used_uj: int, elapsed_s: float) -> float:
        self._moved |= used_uj != 0
        longest_s = self.range_uj * _MICRO / MOST_W if self.range_uj else _LONGEST_UNKNOWN_S
        if elapsed_s > longest_s:
            raise Gap(f"{FOR_NOW}the reading before is so old that the counter may have turned over since")
        if used_uj < 0:
            if self.range_uj is None:
                raise Gap("the counter went back, and the range in which it turns over is not known")
            used_uj += self.range_uj
        power_w = used_uj * _MICRO / elapsed_s
        if not 0.0 <= power_w <= MOST_W:
            raise Gap("implausible: the counter jumped or was set back")
        if not self._moved:
            raise Gap("the counter has not moved since it was first read")
        return power_w


def _zones(root: Path) -> list[_Zone]:
    """In the order of control types and of their own numbers."""
    found = {name: match for name in entries(root) if (match := _ZONE.fullmatch(name))}
    order = sorted(found, key=lambda name: (found[name]["control"], [int(n) for n in name.split(":")[1:]]))
    return [_Zone(root / name, found[name]["control"], "/".join(_names(root, name))) for name in order]


def _names(root: Path, zone: str) -> list[str]:
    """Of the zones around it and of its own; the kernel's number where there is no name."""
    control, *numbers = zone.split(":")
    around = [":".join([control, *numbers[:depth]]) for depth in range(1, len(numbers) + 1)]
    return [printable(text(root / each / "name").replace("/", " ")) or each for each in around]


def _metered(zones: Iterable[_Zone], clock: Clock) -> Iterator[_Energy | _Power]:
    """One for each part of the processor that can be measured, whoever shows it."""
    shown: dict[str, list[_Zone]] = {}
    number: Counter[tuple[str, str]] = Counter()
    for zone in zones:
        if zone.has("energy_uj") or zone.has("power_uw"):
            number[zone.control, zone.name] += 1
            nth = number[zone.control, zone.name]
            shown.setdefault(zone.name if nth == 1 else f"{zone.name} #{nth}", []).append(zone)
    for name, same in shown.items():
        zone = next((each for each in same if each.readable), same[0])
        channel = Channel(name=f"powercap/{name}", role=Role.PACKAGE_POWER if zone.package else Role.POWER)
        if zone.has("energy_uj"):
            yield _Energy(channel, zone.folder / "energy_uj", _range_uj(zone.folder), clock)
        else:
            yield _Power(channel, zone.folder / "power_uw")


def _range_uj(folder: Path) -> int | None:
    try:
        return count(folder / "max_energy_range_uj") or None
    except Gap:
        return None
