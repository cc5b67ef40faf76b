"""Leaf module: quantities as people write them ("90 °C", "3 min", "-30 mV") and back.

One table. Every quantity is kept in its dimension's base unit, which is what field names end in (`_s`, `_c`, `_mhz`).
A temperature difference is written in K and never in °C, so that a margin cannot be mistaken for a reading.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Dimension:
    """A kind of quantity, its base unit, and the factor from each accepted unit to the base."""

    name: str
    base: str
    factors: dict[str, float]


TIME = Dimension("time", "s", {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0, "d": 86_400.0})
TEMPERATURE = Dimension("temperature", "°C", {"°C": 1.0, "degC": 1.0})
TEMPERATURE_DIFFERENCE = Dimension("temperature difference", "K", {"K": 1.0})
SHARE = Dimension("share", "%", {"%": 1.0})
FREQUENCY = Dimension("frequency", "MHz", {"MHz": 1.0, "GHz": 1e3, "kHz": 1e-3})
VOLTAGE = Dimension("voltage", "V", {"V": 1.0, "mV": 1e-3})
CURRENT = Dimension("current", "A", {"A": 1.0, "mA": 1e-3})
POWER = Dimension("power", "W", {"W": 1.0, "mW": 1e-3})
RESISTANCE = Dimension("resistance", "mΩ", {"mΩ": 1.0, "mOhm": 1.0, "Ω": 1e3})
DATA_RATE = Dimension("memory data rate", "MT/s", {"MT/s": 1.0})
DATA_SIZE = Dimension("data size", "MiB", {"MiB": 1.0, "GiB": 1024.0, "KiB": 1.0 / 1024.0})
ROTATION = Dimension("rotation", "rpm", {"rpm": 1.0, "RPM": 1.0})
CYCLES = Dimension("timing", "cycles", {"cycles": 1.0, "tCK": 1.0})
DURATION_NS = Dimension("short time", "ns", {"ns": 1.0, "us": 1e3, "μs": 1e3})
FLOW = Dimension("flow", "L/h", {"L/h": 1.0, "L/min": 60.0})
RATIO = Dimension("ratio", "x", {"x": 1.0, "×": 1.0})
COUNT = Dimension("count", "events", {"events": 1.0, "event": 1.0, "errors": 1.0, "error": 1.0, "lines": 1.0})
HEAT_CAPACITY = Dimension("heat capacity", "J/K", {"J/K": 1.0, "kJ/K": 1e3})
THERMAL_RESISTANCE = Dimension("thermal resistance", "K/W", {"K/W": 1.0})

DIMENSIONS = (
    TIME, TEMPERATURE, TEMPERATURE_DIFFERENCE, SHARE, FREQUENCY, VOLTAGE, CURRENT, POWER, RESISTANCE,
    DATA_RATE, DATA_SIZE, ROTATION, CYCLES, DURATION_NS, FLOW, RATIO, HEAT_CAPACITY, THERMAL_RESISTANCE,
)  # fmt: skip

_QUANTITY = re.compile(r"^\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S.*?)?\s*$")


def split(text: str) -> tuple[float, str] | None:
    """Number and unit of a text that starts with a number; None for any other text.

    Signs that look alike are alike: the minus sign and the hyphen, the ohm sign and omega, the micro sign and mu.
    """
    match = _QUANTITY.match(unicodedata.normalize("NFKC", text).replace("\N{MINUS SIGN}", "-"))
    return (float(match[1]), match[2] or "") if match else None


def parse(text: str, dimension: Dimension) -> float:
    """The quantity in the dimension's base unit.

    Raises ValueError, with what would be right, for another unit, a missing one, or a number that is not finite.
    """
    parts = split(text)
    accepted = ", ".join(dimension.factors)
    if parts is None:
        raise ValueError(f"a {dimension.name} is a number and a unit ({accepted})")
    number, unit = parts
    if not unit:
        raise ValueError(f"the unit is missing; a {dimension.name} is given in {accepted}")
    _refuse_comma(text, unit)
    if unit not in dimension.factors:
        raise ValueError(f"{unit!r} is not a unit of {dimension.name}; use {accepted}")
    value = _tidy(number * dimension.factors[unit])
    if not math.isfinite(value):
        raise ValueError(f"a {dimension.name} must be finite")
    return value


def parse_any(text: str) -> str | None:
    """Canonical text of a quantity in any known unit, so that "1200 mV" and "1.2 V" are one value.

    None for text that does not start with a number. Raises ValueError for a number with an unknown unit.
    """
    parts = split(text)
    if parts is None:
        return None
    unit = parts[1]
    if not unit:
        raise ValueError("the unit is missing; write a plain count without quotes")
    _refuse_comma(text, unit)
    for dimension in DIMENSIONS:
        if unit in dimension.factors:
            return show(parse(text, dimension), dimension)
    known = sorted({u for d in DIMENSIONS for u in d.factors})
    near = [u for u in known if u.casefold() == unit.casefold()]
    use = f"did you mean {near[0]}?" if near else f"text that begins with a digit is a quantity in {', '.join(known)}"
    raise ValueError(f"{unit!r} is not a known unit; {use}")


def _refuse_comma(text: str, unit: str) -> None:
    """A decimal comma is not taken for a unit, nor what stands before it for the number."""
    if unit[0] == "," and unit[1:2].isdigit():
        raise ValueError(f"the decimal sign is a point: {text.strip().replace(',', '.')}")


def show(value: float, dimension: Dimension) -> str:
    """Canonical text in the base unit; `parse` brings the same number back."""
    return f"{_tidy(value):.12g} {dimension.base}"


def rate_of(dimension: Dimension) -> Dimension:
    """How fast a quantity changes; the base unit is per minute: K/min of a temperature, W/min of a power."""
    changing = difference_of(dimension)
    factors = {
        f"{unit}/{per}": factor * TIME.factors["min"] / TIME.factors[per]
        for unit, factor in changing.factors.items()
        for per in ("s", "min", "h")
    }
    return Dimension(f"rate of {dimension.name}", f"{changing.base}/min", factors)


def difference_of(dimension: Dimension) -> Dimension:
    """What lies between two quantities: kelvin between temperatures, the same unit for all others."""
    return TEMPERATURE_DIFFERENCE if dimension is TEMPERATURE else dimension


_DECIMALS = {"V": 3, "A": 2, "MHz": 0, "MiB": 0, "events": 0}
"""Base unit to the decimals worth showing of a reading; one for all others."""


def reading_text(value: float, unit: str) -> str:
    """A reading in its base unit, as far as a sensor is worth: 71.3 °C, 1.104 V."""
    return f"{value:.{_DECIMALS.get(unit, 1)}f} {unit}".rstrip()


def left_unit(unit: str) -> str:
    """Unit of what lies between a reading in this one and its limit."""
    return TEMPERATURE_DIFFERENCE.base if unit == TEMPERATURE.base else unit


def _tidy(value: float) -> float:
    """Twelve digits hide binary dust and keep everything that a person wrote; minus zero is zero."""
    return float(f"{value:.12g}") + 0.0


def duration_text(duration_s: float) -> str:
    """A duration as a person says it: 8.5 s, 3 min 05 s, 7 h 30 min."""
    if round(duration_s, 1) < 60:
        return f"{duration_s:.1f} s".replace(".0 s", " s")
    minutes, seconds = divmod(round(duration_s), 60)
    if minutes < 60:
        return f"{minutes} min {seconds:02d} s" if seconds else f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if minutes else f"{hours} h"


def size_text(size_bytes: float) -> str:
    """A size in binary units: 512 MiB, 8.2 GiB."""
    for unit, scale in (("GiB", 2**30), ("MiB", 2**20), ("KiB", 2**10)):
        if size_bytes >= scale:
            number = size_bytes / scale
            return f"{number:.0f} {unit}" if number >= 100 else f"{number:.1f} {unit}".replace(".0 ", " ")
    return f"{size_bytes:.0f} B"


def count_text(count: float) -> str:
    """A large count with a decimal prefix: 1.24 × 10¹², 843 × 10⁶."""
    if count < 1e6:
        return f"{count:,.0f}".replace(",", " ")
    count = float(f"{count:.3g}")
    exponent = int(math.floor(math.log10(count) / 3) * 3)
    digits = str(exponent).translate(str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹"))
    return f"{count / 10**exponent:.3g} × 10{digits}"
