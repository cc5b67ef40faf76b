"""What the operating system can observe of the settings and the hardware."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from soakd.model.base import Value
from soakd.model.snapshot_parts import (
    ByCores,
    ClockPolicy,
    KernelSettings,
    Mark,
    MemoryController,
    MemoryModule,
    OwnLimits,
    PowerZone,
    Socket,
    Topology,
)


class Snapshot(Value):
    """Settings and identity that ought to stand still during a run; None where the system does not say."""

    machine: str
    """Instruction set architecture as uname(2) names it."""
    processor: str | None = None
    family_model_stepping: str | None = None
    microcode: str | None = None
    logical_cores: int
    cores_allowed: str
    """Logical cores our own processes may use (cpuset, affinity)."""
    topology: Topology = Topology()
    timestamp_clock_mhz: Annotated[int | None, Mark.NO_SETTING] = None
    """The clock of the timestamp counter, which is the nominal one; the kernel measures it at each boot."""
    clock_control: str | None = None
    """Driver and mode, such as `amd_pstate active`."""
    clock_policies: ByCores[ClockPolicy] = Field(default_factory=dict)
    boost: str | None = None
    least_performance_percent: int | None = None
    """Of what the hardware offers, as the driver was told; so is the next."""
    most_performance_percent: int | None = None
    memory_total_mib: Annotated[int, Mark.NO_SETTING]
    """What the kernel has to give; what it keeps for itself differs a little from boot to boot."""
    memory_gib: int | None = None
    """The same, rounded up: how much memory is there."""
    swap_total_mib: int
    memory_modules: dict[str, MemoryModule] = Field(default_factory=dict)
    """By the name of the slot."""
    memory_error_correction: str | None = None
    memory_controllers: dict[str, MemoryController] = Field(default_factory=dict)
    sockets: dict[str, Socket] = Field(default_factory=dict)
    product_vendor: str | None = None
    product_name: str | None = None
    board_vendor: str | None = None
    board_name: str | None = None
    board_version: str | None = None
    firmware_vendor: str | None = None
    firmware_version: str | None = None
    firmware_date: str | None = None
    firmware_release: str | None = None
    power_zones: dict[str, PowerZone] = Field(default_factory=dict)
    kernel: str
    kernel_settings: KernelSettings = KernelSettings()
    own_limits: OwnLimits = OwnLimits()
    mitigations: dict[str, str] = Field(default_factory=dict)
    virtualisation: str | None = None
    boot_id: Annotated[str, Mark.NO_SETTING]
    absent: Annotated[dict[str, str], Mark.NO_SETTING] = Field(default_factory=dict)
    """What could not be read: field, with dots for a field in a group, to reason. Never skipped. What can be read may
    depend on who asks."""

    @property
    def board(self) -> str | None:
        return _joined(self.board_vendor, self.board_name)

    @property
    def firmware(self) -> str | None:
        return _joined(self.firmware_vendor, self.firmware_version, self.firmware_date)

    @property
    def governor(self) -> str | None:
        """That of all cores; each by name when they differ."""
        return ", ".join(sorted({p.governor for p in self.clock_policies.values() if p.governor})) or None

    @property
    def minimum_clock_mhz(self) -> int | None:
        return min((p.minimum_mhz for p in self.clock_policies.values() if p.minimum_mhz is not None), default=None)

    @property
    def maximum_clock_mhz(self) -> int | None:
        return max((p.maximum_mhz for p in self.clock_policies.values() if p.maximum_mhz is not None), default=None)


def _joined(*texts: str | None) -> str | None:
    return " ".join(text for text in texts if text) or None


def settings_of(snapshot: Snapshot) -> dict[str, object]:
    """The part that a fingerprint covers and that must not change during a run: all that is told and is a setting."""
    return _settings(snapshot)


def is_setting(value: Value, field: str) -> bool:
    return Mark.NO_SETTING not in type(value).model_fields[field].metadata


def is_by_cores(value: Value, field: str) -> bool:
    return Mark.BY_CORES in type(value).model_fields[field].metadata


def _settings(value: Value) -> dict[str, object]:
    kept = {name: _plain(getattr(value, name)) for name in type(value).model_fields if is_setting(value, name)}
    return {name: each for name, each in kept.items() if each not in (None, {}, [])}


def _plain(value: object) -> object:
    if isinstance(value, Value):
        return _settings(value)
    if isinstance(value, dict):
        return {key: _plain(each) for key, each in value.items()}
    return list(value) if isinstance(value, tuple) else value
