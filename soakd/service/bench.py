"""This bench: its cores, instruction classes, sensor sources and channels."""

from __future__ import annotations

import os
import platform
from typing import TYPE_CHECKING

from soakd.errors import UnsupportedError
from soakd.model.channels import Batch, Channel, Role
from soakd.rules.gather import probe_channel
from soakd.rules.health import Health
from soakd.sensors.hwmon import HwmonSource
from soakd.sensors.sampler import read_safely
from soakd.sensors.system import SystemSource

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.clock import Clock
    from soakd.ports import SensorSource


def require_linux() -> None:
    """Everything that reads or loads a bench needs Linux; says so in one line elsewhere."""
    if platform.system() != "Linux":
        raise UnsupportedError(f"this command needs Linux; here is {platform.system() or 'an unknown system'}")


def cores() -> tuple[int, ...]:
    """Logical cores that our own processes may use."""
    return tuple(sorted(os.sched_getaffinity(0)))


def sources(clock: Clock) -> list[SensorSource]:
    """Every sensor source of this bench. What hwmon shows is read there alone: psutil would hide a sensor's fault."""
    return [HwmonSource(), SystemSource(clock, beside_hwmon=False)]


def channels(found: Sequence[SensorSource], bench_cores: Sequence[int]) -> list[Channel]:
    """All channels, with one for the clock that the worker on each core measures on itself."""
    probes = [Channel(name=probe_channel(core), role=Role.PROBED_CLOCK) for core in bench_cores]
    return [channel for source in found for channel in source.channels()] + probes


def unreadable(found: Sequence[SensorSource]) -> dict[str, str]:
    """Channels that give no credible reading now, with the reason."""
    silent: dict[str, str] = {}
    for source in found:
        health = Health(source.channels())
        values, gaps = read_safely(source)
        silent |= health.sift(Batch(source=source.name, at_s=0.0, values=values, gaps=gaps)).gaps
    return silent


def classes() -> dict[str, tuple[str, ...]]:
    """Kernel ("vector/lanes") to the instruction classes that this core has for it, narrowest first."""
    from soakd.workloads.catalog import KINDS  # noqa: PLC0415 - loads the compiler library
    from soakd.workloads.classes import available  # noqa: PLC0415

    here = available()
    return {
        f"{kind.name}/{name}": tuple(c for c in here if c in entry.classes)
        for kind in KINDS.values()
        for name, entry in kind.kernels.items()
    }
