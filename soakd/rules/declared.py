"""Declared values that the system itself, or a hook, confirms or contradicts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd import units
from soakd.rules.sheet_fields import fields, said

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from soakd.model.sheet import Sheet
    from soakd.model.snapshot import Snapshot
    from soakd.model.snapshot_parts import PowerLimit
    from soakd.rules.sheet_fields import Leaf

SHOWN = (
    "logical_cores",
    "cores_allowed",
    "board",
    "firmware",
    "governor",
    "boost",
    "minimum_clock_mhz",
    "maximum_clock_mhz",
)
"""Snapshot fields that a sheet may declare under [values] in the same words: governor = "performance"."""
NOMINAL_SHARE = 0.02
"""A firmware's table has nominal rates, whatever the reference clock; apart by more, another rate is meant (common
practice, no source)."""
POWER_STEP_W = 0.5
"""Processors keep power limits in steps of 1/8 W or so (common practice, no source)."""
WINDOW_SHARE = 0.25
"""Processors keep a window as 2^Y · (1 + Z/4) units, so that what was asked for is rounded by up to a quarter (Intel
SDM volume 3, running average power limits; from memory)."""
_CONSTRAINTS = {"sustained-power": "long_term", "short-power": "short_term"}
"""Names of a package's constraints (Documentation/power/powercap/powercap.rst)."""


def contradictions(sheet: Sheet, snapshot: Snapshot) -> dict[str, str]:
    """Place to line, for each declared value that the system shows otherwise. What it does not show it cannot."""
    shown: dict[str, object] = {}
    for field in SHOWN:
        value = getattr(snapshot, field)
        if value is not None:
            words = field.removesuffix("_mhz").replace("_", " ")
            shown[f"values: {words}"] = f"{value} MHz" if field.endswith("_mhz") else value
    processor = sheet.processor
    if snapshot.processor is not None and not _within(processor.model or "", snapshot.processor):
        shown["processor: model"] = snapshot.processor
    if processor.cores_on is None:
        shown["processor: threads"] = snapshot.logical_cores
    for place, declared, told, apart, of in _nearly(sheet, snapshot):
        if declared is not None and told and not any(abs(each - declared) <= apart for each in told):
            shown[place] = " and ".join(units.show(each, of) for each in sorted(told))
    return _differing(sheet, shown, "the system shows")


def _nearly(sheet: Sheet, snapshot: Snapshot) -> Iterator[tuple[str, float | None, set[float], float, units.Dimension]]:
    """Place, declared value, what the system tells in one or more places, how far apart is the same, and the unit."""
    limits, rate_mts = sheet.limits, sheet.memory.data_rate_mts
    for field, declared_w in (("sustained-power", limits.sustained_power_w), ("short-power", limits.short_power_w)):
        yield f"limits: {field}", declared_w, package_limits_w(snapshot, field), POWER_STEP_W, units.POWER
    short_s = limits.short_time_s
    yield "limits: short-time", short_s, package_windows_s(snapshot), WINDOW_SHARE * (short_s or 0.0), units.TIME
    rates = {float(module.configured_speed_mt_s or 0) for module in snapshot.memory_modules.values()} - {0.0}
    yield "memory: data-rate", rate_mts, rates, NOMINAL_SHARE * (rate_mts or 0.0), units.DATA_RATE


def package_limits_w(snapshot: Snapshot, field: str) -> set[float]:
    """What the kernel shows of the processor's own limits, by the sheet's name; two zones may show two."""
    found = (limit.limit_w for limit in _package_limits(snapshot, _CONSTRAINTS[field]))
    return {round(limit_w, 3) for limit_w in found if limit_w is not None}


def package_windows_s(snapshot: Snapshot) -> set[float]:
    """How long the short limit may be used: the window over which power is held to the sustained one; three digits."""
    found = (limit.window_s for limit in _package_limits(snapshot, _CONSTRAINTS["sustained-power"]))
    return {float(f"{window_s:.3g}") for window_s in found if window_s is not None}


def _package_limits(snapshot: Snapshot, constraint: str) -> Iterator[PowerLimit]:
    for zone_name, zone in snapshot.power_zones.items():
        if "package-" in zone_name and zone.enabled is not False:
            yield from (limit for name, limit in zone.limits.items() if name == constraint)


def differing(sheet: Sheet, stated: Mapping[str, object], verb: str) -> list[str]:
    """One line for each declared value that is stated otherwise.

    A value goes by its place ("clocks: reference", or with a comma), and one under [values] by its bare name too; the
    spelling of names and quantities does not matter.
    """
    return [f"{place}: {line}" for place, line in _differing(sheet, stated, verb).items()]


def unconfirmed(sheet: Sheet, stated: Mapping[str, object]) -> list[str]:
    """What ought to have been stated: each name under [values]; and anything at all of a sheet that declares more."""
    spoken = {_plain(name) for name in stated}
    silent = [name for name in sheet.values if not spoken & {_plain(name), _plain(f"values: {name}")}]
    if silent or spoken & _by_name(sheet).keys():
        return sorted(silent)
    return ["any setting of the sheet"]


def _differing(sheet: Sheet, stated: Mapping[str, object], verb: str) -> dict[str, str]:
    declared = _by_name(sheet)
    return {
        name: f"declared {said(declared[_plain(name)])}, {verb} {said(value)}"
        for name, value in stated.items()
        if _plain(name) in declared and _canonical(declared[_plain(name)]) != _canonical(value)
    }


def _by_name(sheet: Sheet) -> dict[str, Leaf]:
    """Every name that a declared value goes by."""
    places = fields(sheet)
    bare = {_plain(place.removeprefix("values: ")): leaf for place, leaf in places.items()}
    return bare | {_plain(place): leaf for place, leaf in places.items()}


def _plain(name: str) -> str:
    return " ".join(str(name).replace(":", ",").casefold().split()).replace(" ,", ",")


def _within(model: str, shown: str) -> bool:
    """Whether the name that the processor gives itself has every word of the declared one."""
    return set(model.casefold().split()) <= set(shown.casefold().split())


def _canonical(value: object) -> str:
    text = said(value)
    try:
        return units.parse_any(text) or text.strip()
    except ValueError:
        return text.strip()
