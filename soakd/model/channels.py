"""Sensor inputs: what a channel is, what it measures for us, and the two things it can deliver."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from soakd import units


class Role(StrEnum):
    """What a channel measures for us, whatever the driver calls it."""

    CPU_TEMPERATURE = "cpu-temperature"
    COOLANT_TEMPERATURE = "coolant-temperature"
    BOARD_TEMPERATURE = "board-temperature"
    MEMORY_TEMPERATURE = "memory-temperature"
    DRIVE_TEMPERATURE = "drive-temperature"
    AMBIENT_TEMPERATURE = "ambient-temperature"
    ACCELERATOR_TEMPERATURE = "accelerator-temperature"
    OTHER_TEMPERATURE = "other-temperature"
    PUMP = "pump"
    COOLANT_FLOW = "coolant-flow"
    FAN = "fan"
    VOLTAGE = "voltage"
    CURRENT = "current"
    PACKAGE_POWER = "package-power"
    POWER = "power"
    MACHINE_CHECKS = "machine-checks"
    UNCORRECTED_MEMORY_ERRORS = "uncorrected-memory-errors"
    CORRECTED_MEMORY_ERRORS = "corrected-memory-errors"
    THROTTLE_EVENTS = "throttle-events"
    THROTTLED_TIME = "throttled-time"
    KERNEL_REPORTS = "kernel-reports"
    CORE_CLOCK = "core-clock"
    ACCELERATOR_CLOCK = "accelerator-clock"
    PROBED_CLOCK = "probed-clock"
    CORE_LOAD = "core-load"
    STOLEN_TIME = "stolen-time"
    MEMORY_AVAILABLE = "memory-available"
    SWAP_TRAFFIC = "swap-traffic"
    BATTERY = "battery"
    MAINS = "mains"


ROLE_DIMENSIONS: dict[Role, units.Dimension | None] = {
    Role.CPU_TEMPERATURE: units.TEMPERATURE,
    Role.COOLANT_TEMPERATURE: units.TEMPERATURE,
    Role.BOARD_TEMPERATURE: units.TEMPERATURE,
    Role.MEMORY_TEMPERATURE: units.TEMPERATURE,
    Role.DRIVE_TEMPERATURE: units.TEMPERATURE,
    Role.AMBIENT_TEMPERATURE: units.TEMPERATURE,
    Role.ACCELERATOR_TEMPERATURE: units.TEMPERATURE,
    Role.OTHER_TEMPERATURE: units.TEMPERATURE,
    Role.PUMP: units.ROTATION,
    Role.COOLANT_FLOW: units.FLOW,
    Role.FAN: units.ROTATION,
    Role.VOLTAGE: units.VOLTAGE,
    Role.CURRENT: units.CURRENT,
    Role.PACKAGE_POWER: units.POWER,
    Role.POWER: units.POWER,
    Role.MACHINE_CHECKS: units.COUNT,
    Role.UNCORRECTED_MEMORY_ERRORS: units.COUNT,
    Role.CORRECTED_MEMORY_ERRORS: units.COUNT,
    Role.THROTTLE_EVENTS: units.COUNT,
    Role.THROTTLED_TIME: units.TIME,
    Role.KERNEL_REPORTS: units.COUNT,
    Role.CORE_CLOCK: units.FREQUENCY,
    Role.ACCELERATOR_CLOCK: units.FREQUENCY,
    Role.PROBED_CLOCK: units.FREQUENCY,
    Role.CORE_LOAD: units.SHARE,
    Role.STOLEN_TIME: units.SHARE,
    Role.MEMORY_AVAILABLE: units.DATA_SIZE,
    Role.SWAP_TRAFFIC: units.DATA_SIZE,
    Role.BATTERY: units.SHARE,
    Role.MAINS: None,
}


FOR_NOW = "for now: "
"""How the reason of a gap begins that will end by itself: the channel is read, and needs another reading."""


def role_unit(role: Role) -> str:
    """Unit that readings of a role are in; empty for yes/no."""
    dimension = ROLE_DIMENSIONS[role]
    return dimension.base if dimension else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One sensor input."""

    name: str
    """Stable across boots: source, driver, label or file; never a kernel index."""
    role: Role
    critical: float | None = None
    """The sensor's own critical value, in the role's unit, when it states a plausible one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What one source delivered at one moment: a value or a stated gap for each of its channels."""

    source: str
    at_s: float
    """Monotonic time right after the last input was read."""
    values: dict[str, float]
    gaps: dict[str, str]
    """Channel name to the reason why there is no value."""
    late_ticks: int = 0
    """Grid points this source has missed so far, because reading took too long or it was not scheduled."""
    remarks: dict[str, str] = field(default_factory=dict)
    """Channel name to a text that came with the readings and is worth keeping, such as a line of the kernel's log."""
