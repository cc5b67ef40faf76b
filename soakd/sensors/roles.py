"""What a temperature or other input measures for us, from its driver, its file and its label.

Driver and label names are those of the kernel's documentation (Documentation/hwmon: coretemp, k10temp, nvme, drivetemp,
jc42, spd5118, nct6775, dell-smm-hwmon, asus_ec_sensors, asus_wmi_sensors, aquacomputer_d5next, nzxt-kraken2,
nzxt-kraken3, asus_rog_ryujin, fam15h_power; Documentation/driver-api/thermal: x86_pkg_temperature_thermal; thermal
zones of device trees: cpu-thermal, soc-thermal). What no rule names keeps a general role, so that a limit never watches
a guess; the table [roles] of soakd.toml has the last word.
"""

from __future__ import annotations

import re

from soakd.model.channels import Role

_PROCESSOR_DRIVER = re.compile(r"coretemp|k10temp|x86_pkg_temp|(cpu\d*|soc)_thermal")
_MEMORY_DRIVER = re.compile(r"jc42|spd5118")
_DRIVE_DRIVER = re.compile(r"nvme|drivetemp")
_BOARD_DRIVER = re.compile(r"pch_\w+")
_COOLANT_LABEL = re.compile(r"coolant|liquid|water", re.IGNORECASE)
_AMBIENT_LABEL = re.compile(r"ambient( temp(erature)?)?", re.IGNORECASE)
_MEMORY_LABEL = re.compile(r"sodimm", re.IGNORECASE)
_PROCESSOR_LABEL = re.compile(r"(cpu|processor)( package)?( temp(erature)?)?|tctl|tdie|tccd\d+", re.IGNORECASE)
"""The whole label: `CPU VRM Temperature`, `CPU Socket Temperature` and `CPUTIN`, an input of the board's chip that may
lead nowhere, are not the processor's own sensor."""
_BOARD_LABEL = re.compile(r"board|system|systin|cputin|socket|vrm|chipset|pch", re.IGNORECASE)
_PUMP_LABEL = re.compile(r"\bpump\b", re.IGNORECASE)
_FLOW_LABEL = re.compile(r"\[dL/h\]")
_UNIT_IN_LABEL = re.compile(r"\[[^\]]+\]\s*")
_PACKAGE_POWER_DRIVER = "fam15h_power"

MILLI = 1e-3
_SCALE = {"temp": MILLI, "in": MILLI, "curr": MILLI, "power": 1e-6, "fan": 1.0}
_DECI = 0.1
_BY_KIND = {
    "in": Role.VOLTAGE,
    "curr": Role.CURRENT,
    "power": Role.POWER,
}
_PLAUSIBLE_CRITICAL_C = (40.0, 125.0)
"""Drivers are known to report 0, -273.15 or 127 °C where no critical value is set; common practice, no source."""


def role_of(kind: str, driver: str, label: str) -> Role:
    """`kind` is the file's stem as the kernel names it: temp, fan, in, curr, power."""
    if kind == "temp":
        return _temperature_role(driver.replace("-", "_"), label)
    if kind == "fan":
        return _rotation_role(label)
    return Role.PACKAGE_POWER if kind == "power" and driver == _PACKAGE_POWER_DRIVER else _BY_KIND[kind]


def scale_of(kind: str, label: str) -> float | None:
    """From the kernel's number to the role's unit; None where the label says that it is another quantity.

    A driver may show a flow (dL/h) or a pressure as a fan, with the unit in the label (aquacomputer_d5next.rst).
    """
    if kind != "fan" or not _UNIT_IN_LABEL.search(label):
        return _SCALE[kind]
    return _DECI if _FLOW_LABEL.search(label) else None


def plausible_critical(value_c: float | None) -> float | None:
    """A critical temperature that a working sensor may state; None for everything else."""
    low, high = _PLAUSIBLE_CRITICAL_C
    return value_c if value_c is not None and low < value_c < high else None


def _rotation_role(label: str) -> Role:
    if _FLOW_LABEL.search(label):
        return Role.COOLANT_FLOW
    return Role.PUMP if _PUMP_LABEL.search(label) else Role.FAN


def _temperature_role(driver: str, label: str) -> Role:
    for pattern, role in (
        (_PROCESSOR_DRIVER, Role.CPU_TEMPERATURE),
        (_MEMORY_DRIVER, Role.MEMORY_TEMPERATURE),
        (_DRIVE_DRIVER, Role.DRIVE_TEMPERATURE),
        (_BOARD_DRIVER, Role.BOARD_TEMPERATURE),
    ):
        if pattern.fullmatch(driver):
            return role
    if _COOLANT_LABEL.search(label):
        return Role.COOLANT_TEMPERATURE
    for pattern, role in (
        (_PROCESSOR_LABEL, Role.CPU_TEMPERATURE),
        (_AMBIENT_LABEL, Role.AMBIENT_TEMPERATURE),
        (_MEMORY_LABEL, Role.MEMORY_TEMPERATURE),
    ):
        if pattern.fullmatch(label):
            return role
    return Role.BOARD_TEMPERATURE if _BOARD_LABEL.search(label) else Role.OTHER_TEMPERATURE
