"""What a temperature or other input measures for us, from its driver, its file and its label.

Driver and label names are those of the kernel's documentation (Documentation/hwmon: coretemp, k10temp, nvme, drivetemp,
jc42, spd5118, nct6775, dell-smm-hwmon, asus_ec_sensors, asus_wmi_sensors; Documentation/driver-api/thermal:
x86_pkg_temperature_thermal; thermal zones of device trees: cpu-thermal, soc-thermal). What no rule names keeps a
general role, so that a limit never watches a guess.
"""

from __future__ import annotations

import re

from soakd.model.channels import Role

_PROCESSOR_DRIVER = re.compile(r"coretemp|k10temp|x86_pkg_temp|(cpu\d*|soc)_thermal")
_MEMORY_DRIVER = re.compile(r"jc42|spd5118")
_DRIVE_DRIVER = re.compile(r"nvme|drivetemp")
_BOARD_DRIVER = re.compile(r"pch_\w+")
_COOLANT_LABEL = re.compile(r"coolant|liquid|water", re.IGNORECASE)
_PROCESSOR_LABEL = re.compile(r"(cpu|processor)( package)?( temp(erature)?)?|tctl|tdie|tccd\d+", re.IGNORECASE)
"""The whole label: `CPU VRM Temperature`, `CPU Socket Temperature` and `CPUTIN`, an input of the board's chip that may
lead nowhere, are not the processor's own sensor."""
_BOARD_LABEL = re.compile(r"board|system|systin|cputin|socket|vrm|chipset|pch", re.IGNORECASE)

_BY_KIND = {
    "fan": Role.FAN,
    "in": Role.VOLTAGE,
    "curr": Role.CURRENT,
    "power": Role.POWER,
}
_PLAUSIBLE_CRITICAL_C = (40.0, 125.0)
"""Drivers are known to report 0, -273.15 or 127 °C where no critical value is set; common practice, no source."""


def role_of(kind: str, driver: str, label: str) -> Role:
    """`kind` is the file's stem as the kernel names it: temp, fan, in, curr, power."""
    return _BY_KIND[kind] if kind in _BY_KIND else _temperature_role(driver.replace("-", "_"), label)


def plausible_critical(value_c: float | None) -> float | None:
    """A critical temperature that a working sensor may state; None for everything else."""
    low, high = _PLAUSIBLE_CRITICAL_C
    return value_c if value_c is not None and low < value_c < high else None


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
    if _PROCESSOR_LABEL.fullmatch(label):
        return Role.CPU_TEMPERATURE
    return Role.BOARD_TEMPERATURE if _BOARD_LABEL.search(label) else Role.OTHER_TEMPERATURE
