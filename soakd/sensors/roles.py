"""What a hwmon channel measures for us, from its driver, its file and its label.

Driver and label names are those of the kernel's hwmon documentation (Documentation/hwmon: coretemp, k10temp, nvme,
drivetemp, jc42, spd5118). What no rule names keeps a general role, so that a limit never watches a guess.
"""

from __future__ import annotations

import re

from soakd.model.channels import Role

_PROCESSOR_DRIVERS = frozenset({"coretemp", "k10temp", "zenpower", "cpu_thermal", "soc_thermal", "scpi_sensors"})
_MEMORY_DRIVERS = frozenset({"jc42", "spd5118"})
_DRIVE_DRIVERS = frozenset({"nvme", "drivetemp"})
_COOLANT_LABEL = re.compile(r"coolant|liquid|water", re.IGNORECASE)
_PROCESSOR_LABEL = re.compile(r"^(cpu|package id|tctl|tdie|core \d|physical id)", re.IGNORECASE)
_BOARD_LABEL = re.compile(r"board|system|systin|vrm|chipset|pch", re.IGNORECASE)

_BY_KIND = {
    "fan": Role.FAN,
    "in": Role.VOLTAGE,
    "curr": Role.CURRENT,
    "power": Role.POWER,
}


def role_of(kind: str, driver: str, label: str) -> Role:
    """`kind` is the file's stem as the kernel names it: temp, fan, in, curr, power."""
    return _BY_KIND[kind] if kind in _BY_KIND else _temperature_role(driver, label)


def _temperature_role(driver: str, label: str) -> Role:
    if driver in _PROCESSOR_DRIVERS:
        return Role.CPU_TEMPERATURE
    if driver in _MEMORY_DRIVERS:
        return Role.MEMORY_TEMPERATURE
    if driver in _DRIVE_DRIVERS:
        return Role.DRIVE_TEMPERATURE
    if _COOLANT_LABEL.search(label):
        return Role.COOLANT_TEMPERATURE
    if _PROCESSOR_LABEL.search(label):
        return Role.CPU_TEMPERATURE
    return Role.BOARD_TEMPERATURE if _BOARD_LABEL.search(label) else Role.OTHER_TEMPERATURE
