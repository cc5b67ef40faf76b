"""How the kernel sets clocks and lets cores idle. Clocks in these files are kHz.

Documentation/admin-guide/pm: cpufreq, intel_pstate, amd-pstate, cpuidle.
"""

from __future__ import annotations

import os
from functools import partial
from typing import TYPE_CHECKING

from soakd.model.corelist import cores_in, grouped
from soakd.model.snapshot_parts import ClockPolicy
from soakd.sensors.attributes import AbsentError, absent, text_of

if TYPE_CHECKING:
    from soakd.sensors.attributes import Attributes

_DRIVERS = ("amd_pstate", "intel_pstate")
_KHZ = 1000
_TEXTS = {
    "driver": "scaling_driver",
    "governor": "scaling_governor",
    "energy_preference": "energy_performance_preference",
    "boost": "boost",
}
_CLOCKS = {
    "minimum_mhz": "scaling_min_freq",
    "maximum_mhz": "scaling_max_freq",
    "lowest_mhz": "cpuinfo_min_freq",
    "highest_mhz": "cpuinfo_max_freq",
    "base_mhz": "base_frequency",
}


def read_policies(read: Attributes) -> dict[str, ClockPolicy]:
    """Cores to policy; cores whose policies agree stand together."""
    folder = f"{_cpu(read)}/cpufreq"
    found: dict[int, ClockPolicy] = {}
    for name in read.names("clock_policies", folder, r"policy\d{1,5}"):
        cores = read.tried("clock_policies", partial(_affected, f"{folder}/{name}/affected_cpus"))
        if cores:
            found |= dict.fromkeys(cores, _policy(read, f"{folder}/{name}"))
    if not found:
        read.absent.setdefault("clock_policies", f"not there: {folder} names no core that is online")
    return grouped(found)


def _affected(path: str) -> frozenset[int]:
    """The cores of a policy that are online, with blanks between them."""
    try:
        return cores_in(",".join(text_of(path).split()))
    except ValueError as error:
        absent(f"malformed: {path}: {error}")


def _policy(read: Attributes, folder: str) -> ClockPolicy:
    texts = {field: read.text(f"clock_policies.{field}", f"{folder}/{file}") for field, file in _TEXTS.items()}
    clocks = {
        field: read.whole(f"clock_policies.{field}", f"{folder}/{file}", divide_by=_KHZ)
        for field, file in _CLOCKS.items()
    }
    if texts["governor"] == "userspace":
        asked = f"{folder}/scaling_setspeed"
        clocks["asked_mhz"] = read.whole("clock_policies.asked_mhz", asked, divide_by=_KHZ)
    return ClockPolicy.model_validate({**texts, **clocks})


def read_clock_control(read: Attributes) -> str | None:
    """The driver that has a mode of its own, and the mode."""
    return read.tried("clock_control", lambda: _mode(_cpu(read)))


def _mode(folder: str) -> str:
    why = []
    for driver in _DRIVERS:
        try:
            return f"{driver} {text_of(f'{folder}/{driver}/status')}"
        except AbsentError as error:
            why.append(str(error))
    raise AbsentError("; ".join(why))


def read_performance(read: Attributes, which: str) -> int | None:
    """What one driver was told to offer, `min` or `max`, in percent of what the hardware can do."""
    field = {"min": "least_performance_percent", "max": "most_performance_percent"}[which]
    return read.whole(field, f"{_cpu(read)}/intel_pstate/{which}_perf_pct")


def read_boost(read: Attributes) -> str | None:
    """1 when clocks above the base may be taken; one driver says the opposite."""
    boost, no_turbo = f"{_cpu(read)}/cpufreq/boost", f"{_cpu(read)}/intel_pstate/no_turbo"
    if os.access(boost, os.F_OK) or not os.access(no_turbo, os.F_OK):
        return read.text("boost", boost)
    text = read.text("boost", no_turbo)
    return {"0": "1", "1": "0"}.get(text or "", text)


def read_idle_states(read: Attributes) -> dict[str, str]:
    """Cores to the names of their idle states, and which of these are switched off."""
    field = "kernel_settings.idle_states"
    found = {}
    for core in sorted(read.cores(field, f"{_cpu(read)}/online")):
        folder = f"{_cpu(read)}/cpu{core}/cpuidle"
        states = []
        for state in read.names(field, folder, r"state\d{1,3}"):
            name = read.text(field, f"{folder}/{state}/name")
            off = read.text(field, f"{folder}/{state}/disable")
            states.append(f"{name}{'' if off == '0' else ' off' if off else ' unknown'}")
        if states:
            found[core] = ", ".join(states)
    return grouped(found)


def _cpu(read: Attributes) -> str:
    return f"{read.sys}/devices/system/cpu"
