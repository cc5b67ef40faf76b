"""What a temperature or other input measures for us, from its driver, its file and its label.

Driver and label names are those of the kernel's documentation (Documentation/hwmon: coretemp, k10temp, nvme, drivetemp,
jc42, spd5118, nct6775, dell-smm-hwmon, asus_ec_sensors, asus_wmi_sensors, aquacomputer_d5next, nzxt-kraken2,
nzxt-kraken3, asus_rog_ryujin, fam15h_power; Documentation/driver-api/thermal: x86_pkg_temperature_thermal; thermal
zones of device trees: cpu-thermal, soc-thermal). What no rule names keeps a general role, so that a limit never watches
a guess; the table [roles] of soakd.toml has the last word.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from soakd import units
from soakd.model.channels import ROLE_DIMENSIONS, Role

if TYPE_CHECKING:
    from collections.abc import Callable

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


class _Rule(NamedTuple):
    """A name that says what a temperature is of."""

    of: Literal["driver", "label"]
    holds: Callable[[str], object]
    role: Role


_TEMPERATURES: Final = (
    _Rule("driver", _PROCESSOR_DRIVER.fullmatch, Role.CPU_TEMPERATURE),
    _Rule("driver", _MEMORY_DRIVER.fullmatch, Role.MEMORY_TEMPERATURE),
    _Rule("driver", _DRIVE_DRIVER.fullmatch, Role.DRIVE_TEMPERATURE),
    _Rule("driver", _BOARD_DRIVER.fullmatch, Role.BOARD_TEMPERATURE),
    _Rule("label", _COOLANT_LABEL.search, Role.COOLANT_TEMPERATURE),
    _Rule("label", _PROCESSOR_LABEL.fullmatch, Role.CPU_TEMPERATURE),
    _Rule("label", _AMBIENT_LABEL.fullmatch, Role.AMBIENT_TEMPERATURE),
    _Rule("label", _MEMORY_LABEL.fullmatch, Role.MEMORY_TEMPERATURE),
    _Rule("label", _BOARD_LABEL.search, Role.BOARD_TEMPERATURE),
)
"""The first that holds decides."""
_PUMP_LABEL = re.compile(r"\bpump\b", re.IGNORECASE)
_FLOW_LABEL = re.compile(r"\[dL/h\]")
_UNIT_IN_LABEL = re.compile(r"\[[^\]]+\]\s*")
_CHIPS: Final = frozenset({"hwmon", "psutil"})
"""Sources whose channels are named by driver and label."""
_ADDED = re.compile(r"( at \S+| #\d+|, (highest|lowest) of \d+)+$")
"""What tells channels with one label apart."""
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


def why(name: str, role: Role) -> str:
    """What it was that gave a channel its role, by the channel's full name."""
    source, _, rest = name.partition("/")
    driver, of_chip, label = rest.partition("/")
    if source in _CHIPS and of_chip:
        return _why_of_chip(driver, _ADDED.sub("", label), role)
    return "its plugin says so" if source == "plugin" else "what the kernel counts or states there"


def _why_of_chip(driver: str, label: str, role: Role) -> str:
    by_driver, by_label = f"its driver is {driver}", f"its label is {label}"
    if ROLE_DIMENSIONS[role] is units.TEMPERATURE:
        rule = _temperature_rule(driver.replace("-", "_"), label)
        unknown = f"neither its driver, {driver}, nor its label, {label}, says what it measures"
        return unknown if rule is None else by_driver if rule.of == "driver" else by_label
    known = {
        Role.PUMP: by_label,
        Role.COOLANT_FLOW: by_label,
        Role.FAN: "what turns is taken to be a fan where no label says otherwise",
        Role.PACKAGE_POWER: by_driver,
    }
    return known.get(role, "the kernel says what quantity it is, and no more")


def _temperature_role(driver: str, label: str) -> Role:
    rule = _temperature_rule(driver, label)
    return Role.OTHER_TEMPERATURE if rule is None else rule.role


def _temperature_rule(driver: str, label: str) -> _Rule | None:
    """The first that holds."""
    return next((rule for rule in _TEMPERATURES if rule.holds(driver if rule.of == "driver" else label)), None)
