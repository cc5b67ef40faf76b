"""What psutil shows: temperatures and fans where hwmon has none of its own, clocks, load, stolen time, memory, swap,
battery and mains.

Load and stolen time are differences of the kernel's counters over the time between two reads; shorter than half a
second they would be noise of the 10 ms accounting tick (proc(5)), so then the last values stand.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import psutil

from soakd.model.channels import Channel, Role
from soakd.sensors.roles import role_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from soakd.clock import Clock

_MIB = 2**20
_SHORTEST_DIFFERENCE_S = 0.5
_PLAUSIBLE_CRITICAL_C = (40.0, 125.0)


class SystemSource:
    """Everything that psutil offers on this machine; fixed at the start."""

    name = "psutil"

    def __init__(self, clock: Clock) -> None:
        self._times = _TimeShares(clock)
        self._channels = [*_temperatures().channels, *_fans().channels, *self._times.channels, *_fixed_channels()]

    def channels(self) -> Sequence[Channel]:
        return self._channels

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        """Each family by itself, so that one that fails does not silence the others."""
        values: dict[str, float] = {}
        families: tuple[Callable[[], dict[str, float]], ...] = (
            lambda: _temperatures().values,
            lambda: _fans().values,
            self._times.read,
            _clocks,
            _memory,
            _battery,
        )
        reasons = dict.fromkeys(self._times.waiting(), "a share needs two reads at least half a second apart")
        failed: list[str] = []
        for family in families:
            try:
                values |= family()
            except (OSError, RuntimeError, ValueError, psutil.Error) as error:
                failed.append(f"{type(error).__name__}: {error}")
        why = failed[0] if failed else "psutil does not show it any more"
        return values, {c.name: reasons.get(c.name, why) for c in self._channels if c.name not in values}


@dataclass(frozen=True, slots=True)
class _Family:
    channels: list[Channel]
    values: dict[str, float]


def _temperatures() -> _Family:
    return _family(getattr(psutil, "sensors_temperatures", dict)(), "temp")


def _fans() -> _Family:
    return _family(getattr(psutil, "sensors_fans", dict)(), "fan")


def _family(chips: dict[str, list[Any]], kind: str) -> _Family:
    """Channels and values by driver and label; a repeated label gets its place in the list."""
    family = _Family([], {})
    for driver, entries in chips.items():
        for number, entry in enumerate(entries):
            name = f"psutil/{driver}/{entry.label or f'{kind} {number + 1}'}"
            if name in family.values:
                name = f"{name} #{number + 1}"
            role = role_of(kind, driver, entry.label)
            critical = _critical(getattr(entry, "critical", None)) if kind == "temp" else None
            family.channels.append(Channel(name=name, role=role, critical=critical))
            family.values[name] = float(entry.current)
    return family


def _critical(value: float | None) -> float | None:
    low, high = _PLAUSIBLE_CRITICAL_C
    return value if value is not None and low < value < high else None


def _fixed_channels() -> list[Channel]:
    """Channels that exist as long as psutil can read them at all."""
    channels = [Channel(name=name, role=Role.CORE_CLOCK) for name in _clocks()]
    channels += [Channel(name="psutil/memory available", role=Role.MEMORY_AVAILABLE)]
    channels += [Channel(name="psutil/swap traffic", role=Role.SWAP_TRAFFIC)]
    names = {"psutil/battery": Role.BATTERY, "psutil/mains": Role.MAINS}
    return channels + [Channel(name=name, role=names[name]) for name in _battery()]


def _clocks() -> dict[str, float]:
    """What the kernel last asked of each core, or its estimate; not proof of what the core does."""
    frequencies = psutil.cpu_freq(percpu=True) or []
    return {f"psutil/clock {core}": float(each.current) for core, each in enumerate(frequencies) if each.current}


def _memory() -> dict[str, float]:
    swap = psutil.swap_memory()
    return {
        "psutil/memory available": psutil.virtual_memory().available / _MIB,
        "psutil/swap traffic": (swap.sin + swap.sout) / _MIB,
    }


def _battery() -> dict[str, float]:
    battery = psutil.sensors_battery() if hasattr(psutil, "sensors_battery") else None
    if battery is None:
        return {}
    mains = {} if battery.power_plugged is None else {"psutil/mains": float(battery.power_plugged)}
    return {"psutil/battery": float(battery.percent), **mains}


class _TimeShares:
    """Load per core and stolen time, percent of a core, from differences of the kernel's counters."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._before = psutil.cpu_times(percpu=True)
        self._before_s = clock.monotonic()
        self._values: dict[str, float] = {}
        self._has_steal = hasattr(self._before[0], "steal")
        cores = range(len(self._before))
        self.channels = [Channel(name=f"psutil/load {core}", role=Role.CORE_LOAD) for core in cores]
        if self._has_steal:
            self.channels += [Channel(name=f"psutil/stolen {core}", role=Role.STOLEN_TIME) for core in cores]

    def waiting(self) -> list[str]:
        """Channels that have had no value so far."""
        return [channel.name for channel in self.channels if channel.name not in self._values]

    def read(self) -> dict[str, float]:
        now_s = self._clock.monotonic()
        if now_s - self._before_s >= _SHORTEST_DIFFERENCE_S:
            now = psutil.cpu_times(percpu=True)
            for core, (old, new) in enumerate(zip(self._before, now, strict=False)):
                self._values |= self._shares(core, old, new)
            self._before, self._before_s = now, now_s
        return dict(self._values)

    def _shares(self, core: int, old: Any, new: Any) -> dict[str, float]:
        """Guest time is inside user time already (proc(5)); iowait is idle."""
        spent = {key: max(0.0, getattr(new, key) - getattr(old, key)) for key in new._fields}
        total = sum(value for key, value in spent.items() if not key.startswith("guest"))
        if total <= 0.0:
            return {}
        idle = spent.get("idle", 0.0) + spent.get("iowait", 0.0)
        steal = spent.get("steal", 0.0)
        shares = {f"psutil/load {core}": 100.0 * (total - idle - steal) / total}
        return {**shares, f"psutil/stolen {core}": 100.0 * steal / total} if self._has_steal else shares
