"""The groups of a snapshot. None, or empty, where the system does not say; the snapshot's `absent` says why."""

from __future__ import annotations

from enum import Enum
from typing import Annotated, TypeVar

from pydantic import AfterValidator, Field

from soakd.model.base import Value
from soakd.model.corelist import cores_in

T = TypeVar("T")


class Mark(Enum):
    """What a field of a snapshot is besides its type."""

    BY_CORES = "a value for each core; cores of equal value stand under one key"
    NO_SETTING = "a reading or an event: it may differ although nobody changed anything"


def _core_list(text: str) -> str:
    cores_in(text)
    return text


CoreList = Annotated[str, AfterValidator(_core_list)]
"""As the kernel writes it: 0-3,8."""
ByCores = Annotated[dict[CoreList, T], Mark.BY_CORES]


class SharedCache(Value):
    """One kind of cache, such as level 2 unified."""

    size_kib: ByCores[int] = Field(default_factory=dict)
    """Of one cache, by the cores that use it."""
    shared_by: tuple[CoreList, ...] = ()
    """The cores of each cache."""


class Topology(Value):
    """Which logical core is where, in the numbers that firmware and kernel give."""

    online: CoreList | None = None
    node: ByCores[int] = Field(default_factory=dict)
    """Memory node."""
    package: ByCores[int] = Field(default_factory=dict)
    die: ByCores[int] = Field(default_factory=dict)
    physical_core: ByCores[int] = Field(default_factory=dict)
    """Within its package; numbers that are left out are often cores that are switched off."""
    siblings: tuple[CoreList, ...] = ()
    """The logical cores of each physical one."""
    core_type: ByCores[str] = Field(default_factory=dict)
    """The kernel's name of the kind of core, where it knows of several."""
    capacity: Annotated[ByCores[int], Mark.NO_SETTING] = Field(default_factory=dict)
    """Relative, 1024 for the fastest core; derived from performance levels, which move."""
    highest_performance: Annotated[ByCores[int], Mark.NO_SETTING] = Field(default_factory=dict)
    """ACPI CPPC, no unit: which cores the firmware prefers now; platform conditions change it at run time
    (Documentation/admin-guide/pm/amd-pstate.rst)."""
    nominal_performance: ByCores[int] = Field(default_factory=dict)
    """ACPI CPPC, no unit."""
    nominal_clock_mhz: ByCores[int] = Field(default_factory=dict)
    """ACPI CPPC: the clock that belongs to the nominal performance."""
    caches: dict[str, SharedCache] = Field(default_factory=dict)


class ClockPolicy(Value):
    """How the kernel sets the clock of a group of cores (Documentation/admin-guide/pm/cpufreq.rst)."""

    driver: str | None = None
    governor: str | None = None
    energy_preference: str | None = None
    minimum_mhz: int | None = None
    maximum_mhz: int | None = None
    asked_mhz: int | None = None
    """Under the governor `userspace` alone: the clock that somebody asked for."""
    lowest_mhz: int | None = None
    """The least that the hardware can do."""
    highest_mhz: int | None = None
    base_mhz: Annotated[int | None, Mark.NO_SETTING] = None
    """The guaranteed clock, which hardware may change under power and heat (Intel SDM volume 3, chapter on hardware
    managed performance; from memory)."""
    boost: str | None = None


class MemoryModule(Value):
    """A populated slot, from the firmware's tables. Serial numbers are left out: they name a purchase, no setting."""

    bank: str | None = None
    type: str | None = None
    size_mib: int | None = None
    speed_mt_s: int | None = None
    """What the module can do."""
    configured_speed_mt_s: int | None = None
    """What the firmware has set."""
    configured_voltage_v: float | None = None
    ranks: int | None = None
    manufacturer: str | None = None
    part_number: str | None = None


class Socket(Value):
    """A populated processor socket, from the firmware's tables."""

    version: str | None = None
    external_clock_mhz: int | None = None
    maximum_speed_mhz: int | None = None
    current_speed_mhz: Annotated[int | None, Mark.NO_SETTING] = None
    """At the time of booting."""
    voltage_v: Annotated[float | None, Mark.NO_SETTING] = None
    """At the time of booting; many firmwares measure it then."""
    cores: int | None = None
    cores_enabled: int | None = None
    threads: int | None = None


class MemoryController(Value):
    """A controller whose errors the kernel counts (EDAC)."""

    driver: str | None = None
    error_correction: str | None = None


class PowerLimit(Value):
    """One limit of a zone."""

    limit_w: float | None = None
    window_s: float | None = None
    """Over which time power is averaged."""


class PowerZone(Value):
    """A part of the machine whose power the kernel can limit (Documentation/power/powercap/powercap.rst)."""

    enabled: bool | None = None
    limits: dict[str, PowerLimit] = Field(default_factory=dict)


class KernelSettings(Value):
    """What the kernel was told that bears on results."""

    command_line: str | None = None
    """Without what says from where the system was started and who it is."""
    clock_source: str | None = None
    huge_pages: str | None = None
    """Transparent huge pages: always, madvise or never."""
    numa_balancing: str | None = None
    isolated_cores: str | None = None
    tickless_cores: str | None = None
    threads: str | None = None
    """Whether several logical cores may share a physical one: on, off, forceoff, notsupported."""
    threads_active: str | None = None
    idle_driver: str | None = None
    idle_governor: str | None = None
    idle_states: ByCores[str] = Field(default_factory=dict)
    """Names of the idle states, lightest first; those that are switched off say so."""


class OwnLimits(Value):
    """What the system lets our own processes have (Documentation/admin-guide/cgroup-v2.rst)."""

    cores: str | None = None
    memory_nodes: str | None = None
    processor_time: str | None = None
    memory: str | None = None
