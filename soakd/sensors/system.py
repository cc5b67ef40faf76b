"""What psutil shows: temperatures and fans, clocks, load, stolen time, memory, swap, battery and mains.

Load and stolen time are differences of the kernel's counters over the time between two reads; shorter than half a
second they would be noise of the 10 ms accounting tick (proc(5)), so then the last values stand.
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import psutil

from soakd.model.channels import FOR_NOW, Channel, Role
from soakd.sensors.hwmon import inputs_under
from soakd.sensors.roles import plausible_critical, role_of, scale_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from soakd.clock import Clock

_MIB = 2**20
_SHORTEST_DIFFERENCE_S = 0.5
_SLOW_PACE_S = 0.9
"""Families that cost much are read once a second, so that a failure is known within one; a little less, so that a
grid of one second never skips a point."""
_OWN_UNIT = 1.0
"""psutil gives temperatures in °C."""
_ONLINE = Path("/sys/devices/system/cpu/online")

_Readings = list[tuple[Channel, float]]


class SystemSource:
    """Everything that psutil offers on this machine; fixed at the start."""

    name = "psutil"

    def __init__(self, clock: Clock, *, beside_hwmon: bool = True) -> None:
        """Without `beside_hwmon` there are no temperatures and fans where the hwmon class has them: psutil reads the
        same files, and believes a sensor whose driver reports a fault.
        """
        self._clock = clock
        covered = set() if beside_hwmon else {each.kind for each in inputs_under()}
        own = [look for kind, look in (("temp", _temperatures), ("fan", _fans)) if kind not in covered]
        now_s = clock.monotonic()
        self._families: list[_TimeShares | _Family] = [_TimeShares(now_s)]
        self._families += [_Family(look, 0.0, now_s) for look in (_memory, _swap)]
        self._families += [_Family(look, _SLOW_PACE_S, now_s) for look in (*own, _clocks, _battery)]

    def channels(self) -> Sequence[Channel]:
        return [channel for family in self._families for channel in family.channels]

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        """Each family by itself, so that one that fails does not silence the others."""
        values: dict[str, float] = {}
        gaps: dict[str, str] = {}
        for family in self._families:
            found, why = family.read(self._clock.monotonic())
            values |= found
            gaps |= {c.name: why for c in family.channels if c.name not in found}
        return values, gaps


@dataclass(slots=True)
class _Family:
    """One function of psutil; the channels it showed at the start."""

    look: Callable[[], _Readings]
    pace_s: float
    read_s: float
    channels: list[Channel] = field(init=False)
    _values: dict[str, float] = field(init=False)
    _why: str = field(init=False, default="psutil does not show it any more")

    def __post_init__(self) -> None:
        found, _ = _tried(self.look)
        self.channels = [channel for channel, _ in found]
        self._values = {channel.name: value for channel, value in found}

    def read(self, now_s: float) -> tuple[dict[str, float], str]:
        """The values, and why the others are missing; no older than the pace."""
        if now_s - self.read_s >= self.pace_s:
            found, why = _tried(self.look)
            known = {channel.name for channel in self.channels}
            self._values = {channel.name: value for channel, value in found if channel.name in known}
            self._why, self.read_s = why or "psutil does not show it any more", now_s
        return self._values, self._why


def _tried(look: Callable[[], _Readings]) -> tuple[_Readings, str]:
    try:
        return look(), ""
    except Exception as error:  # noqa: BLE001 - drivers make psutil raise anything; a failure is a gap here
        return [], f"psutil failed: {type(error).__name__}: {error}"


def _ask(function: str, **options: Any) -> Any:
    """What a function of psutil returns; None when this system's psutil lacks it or it has nothing to say."""
    return getattr(psutil, function, lambda **_: None)(**options)


def _temperatures() -> _Readings:
    return _by_label(_ask("sensors_temperatures") or {}, "temp")


def _fans() -> _Readings:
    return _by_label(_ask("sensors_fans") or {}, "fan")


def _by_label(chips: dict[str, list[Any]], kind: str) -> _Readings:
    """Channels by driver and label. psutil does not say which of several with one label is which, and drops those that
    cannot be read: such a group is one channel with its worst value, and another one when the number changes. What a
    driver shows as a fan without being one comes in its own unit or not at all.
    """
    worst, word = (min, "lowest") if kind == "fan" else (max, "highest")
    readings: _Readings = []
    for driver, entries in chips.items():
        groups: defaultdict[str, list[Any]] = defaultdict(list)
        for entry in entries:
            groups[entry.label].append(entry)
        for label, group in groups.items():
            own = _OWN_UNIT if kind == "temp" else scale_of(kind, label)
            if own is None:
                continue
            suffix = f", {word} of {len(group)}" if len(group) > 1 else ""
            criticals = [plausible_critical(getattr(entry, "critical", None)) for entry in group]
            channel = Channel(
                name=f"psutil/{driver}/{label or kind}{suffix}",
                role=role_of(kind, driver, label),
                critical=min((value for value in criticals if value is not None), default=None),
            )
            readings.append((channel, own * float(worst(entry.current for entry in group))))
    return readings


def _clocks() -> _Readings:
    """What the kernel last asked of each core, or its estimate; not proof of what the core does."""
    frequencies = _ask("cpu_freq", percpu=True) or []
    cores = _online_cores()
    names = cores if len(cores) == len(frequencies) else [f"group {number}" for number in range(len(frequencies))]
    return [
        (Channel(name=f"psutil/clock {name}", role=Role.CORE_CLOCK), float(each.current))
        for name, each in zip(names, frequencies, strict=True)
        if each.current
    ]


def _memory() -> _Readings:
    memory = _ask("virtual_memory")
    channel = Channel(name="psutil/memory available", role=Role.MEMORY_AVAILABLE)
    return [(channel, memory.available / _MIB)] if memory else []


def _swap() -> _Readings:
    swap = _ask("swap_memory")
    channel = Channel(name="psutil/swap traffic", role=Role.SWAP_TRAFFIC)
    return [(channel, (swap.sin + swap.sout) / _MIB)] if swap else []


def _battery() -> _Readings:
    battery = _ask("sensors_battery")
    if battery is None:
        return []
    readings = [(Channel(name="psutil/battery", role=Role.BATTERY), float(battery.percent))]
    if battery.power_plugged is not None:
        readings.append((Channel(name="psutil/mains", role=Role.MAINS), float(battery.power_plugged)))
    return readings


def _online_cores() -> list[str]:
    """Cores that are switched on (Documentation/admin-guide/cputopology.rst); psutil lists them without numbers."""
    try:
        text = _ONLINE.read_text(encoding="ascii")
    except OSError:
        return []
    parts = re.findall(r"(\d+)(?:-(\d+))?", text)
    return [str(core) for low, high in parts for core in range(int(low), int(high or low) + 1)]


class _TimeShares:
    """Load per core and stolen time, percent of a core, from differences of the kernel's counters."""

    def __init__(self, now_s: float) -> None:
        self._before, _ = _counters()
        self._before_s = now_s
        self._values: dict[str, float] = {}
        self._why = f"{FOR_NOW}a share needs two reads at least half a second apart"
        online = _online_cores()
        count = len(self._before)
        self._cores = online if len(online) == count else [str(number) for number in range(count)]
        self.channels = [Channel(name=f"psutil/load {core}", role=Role.CORE_LOAD) for core in self._cores]
        if self._before and hasattr(self._before[0], "steal"):
            self.channels += [Channel(name=f"psutil/stolen {core}", role=Role.STOLEN_TIME) for core in self._cores]

    def read(self, now_s: float) -> tuple[dict[str, float], str]:
        if now_s - self._before_s >= _SHORTEST_DIFFERENCE_S:
            self._difference(now_s)
        return self._values, self._why

    def _difference(self, now_s: float) -> None:
        self._values = {}
        now, self._why = _counters()
        if now and len(now) != len(self._before):
            self._why = f"the kernel counts {len(now)} cores now and counted {len(self._before)} before"
        elif now:
            self._why = "the kernel counted no time on this core"
            for core, old, new in zip(self._cores, self._before, now, strict=False):
                self._values |= _shares(core, old, new)
        if now:
            self._before, self._before_s = now, now_s


def _counters() -> tuple[list[Any], str]:
    try:
        return list(_ask("cpu_times", percpu=True) or []), "psutil does not show it any more"
    except Exception as error:  # noqa: BLE001 - as for every family
        return [], f"psutil failed: {type(error).__name__}: {error}"


def _shares(core: str, old: Any, new: Any) -> dict[str, float]:
    """Guest time is inside user time already (proc(5)); iowait is idle."""
    spent = {key: max(0.0, getattr(new, key) - getattr(old, key)) for key in new._fields}
    total = sum(value for key, value in spent.items() if not key.startswith("guest"))
    if total <= 0.0:
        return {}
    idle = spent.get("idle", 0.0) + spent.get("iowait", 0.0)
    steal = spent.get("steal", 0.0)
    shares = {f"psutil/load {core}": 100.0 * max(0.0, total - idle - steal) / total}
    return {**shares, f"psutil/stolen {core}": 100.0 * steal / total} if "steal" in spent else shares
