"""This bench: its cores, instruction classes, sensor sources and channels."""

from __future__ import annotations

import os
import platform
from contextlib import contextmanager
from typing import TYPE_CHECKING

import psutil

from soakd.crew.capacity import CACHES, available_memory_bytes, last_level_cache_bytes
from soakd.errors import UnsupportedError
from soakd.model.channels import FOR_NOW, Batch, Channel, Role
from soakd.rules.assigned import assigned
from soakd.rules.gather import probe_channel
from soakd.rules.health import Health
from soakd.sensors.edac import EdacSource
from soakd.sensors.hwmon import HwmonSource
from soakd.sensors.kernel_log import KernelLogSource
from soakd.sensors.plugin import PluginSource
from soakd.sensors.powercap import PowercapSource
from soakd.sensors.sampler import read_safely
from soakd.sensors.system import SystemSource
from soakd.sensors.throttling import ThrottleSource
from soakd.service.plugins import classes_of, refuse_troubled, sensors_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from soakd.clock import Clock
    from soakd.model.configuration import Plugin
    from soakd.ports import SensorSource


def require_linux() -> None:
    """Everything that reads or loads a bench needs Linux; says so in one line elsewhere."""
    if platform.system() != "Linux":
        raise UnsupportedError(f"this command needs Linux; here is {platform.system() or 'an unknown system'}")


def cores() -> tuple[int, ...]:
    """Logical cores that our own processes may use."""
    return tuple(sorted(os.sched_getaffinity(0)))


def least_memory_percent() -> float:
    """Share of the memory that is available now, for less of which the caches could answer."""
    return 100.0 * CACHES * last_level_cache_bytes() / available_memory_bytes()


def least_memory_percent_ever() -> float:
    """The same, were all memory available: for a run to come, while another may have most of it."""
    return 100.0 * CACHES * last_level_cache_bytes() / psutil.virtual_memory().total


def sources(clock: Clock, plugins: Iterable[Plugin] = ()) -> list[SensorSource]:
    """Every sensor source of this bench. What hwmon shows is read there alone: psutil would hide a sensor's fault.

    `plugins`: of the configuration; each is a process, which ends with its source.
    """
    return [
        HwmonSource(),
        SystemSource(clock, beside_hwmon=False),
        PowercapSource(clock),
        EdacSource(),
        ThrottleSource(),
        KernelLogSource(),
        *sensors_of(plugins),
    ]


@contextmanager
def opened(clock: Clock, plugins: Iterable[Plugin] = ()) -> Iterator[list[SensorSource]]:
    """The same for a while: afterwards no plugin holds a device any more. Raises PluginError for one that is broken."""
    found = sources(clock, plugins)
    try:
        refuse_troubled(found)
        yield found
    finally:
        for source in found:
            if isinstance(source, PluginSource):
                source.close()


def channels(
    found: Sequence[SensorSource], bench_cores: Sequence[int], roles: Mapping[str, Role] | None = None
) -> list[Channel]:
    """All channels, with one for the clock that the worker on each core measures on itself.

    `roles`: what the tuner says of channels. Raises RefusedError for a role that one cannot have.
    """
    probes = [Channel(name=probe_channel(core), role=Role.PROBED_CLOCK) for core in bench_cores]
    return assigned((channel for source in found for channel in source.channels()), roles or {}) + probes


def unreadable(found: Sequence[SensorSource], known: Sequence[Channel]) -> dict[str, str]:
    """Channels that give no credible reading now, with the reason; not those that only need another reading."""
    health = Health(known)
    silent: dict[str, str] = {}
    for source in found:
        values, gaps = read_safely(source)
        silent |= health.sift(Batch(source=source.name, at_s=0.0, values=values, gaps=gaps)).gaps
    return {name: reason for name, reason in silent.items() if not reason.startswith(FOR_NOW)}


def classes(plugins: Iterable[Plugin] = ()) -> dict[str, tuple[str, ...]]:
    """Kernel ("vector/lanes") to the instruction classes that this core has for it, narrowest first.

    With the workloads of `plugins` ("plugin/NAME"); raises PluginError for one that is broken.
    """
    from soakd.workloads.classes import available  # noqa: PLC0415
    from soakd.workloads.kinds import KINDS  # noqa: PLC0415 - loads the compiler library

    here = available()
    return {
        f"{kind.name}/{name}": tuple(c for c in here if c in entry.classes)
        for kind in KINDS.values()
        for name, entry in kind.kernels.items()
    } | classes_of(plugins)
