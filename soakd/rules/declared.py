"""What a sheet declares in words that the system itself, or a hook, can confirm or contradict."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd import units

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.model.sheet import Sheet
    from soakd.model.snapshot import Snapshot

SHOWN = (
    "processor",
    "microcode",
    "logical_cores",
    "cores_allowed",
    "board",
    "firmware",
    "kernel",
    "governor",
    "boost",
    "minimum_clock_mhz",
    "maximum_clock_mhz",
)
"""Snapshot fields that a sheet may declare under the same words: "logical cores" = 16."""


def contradictions(sheet: Sheet, snapshot: Snapshot) -> list[str]:
    """One line for each declared value that the system shows otherwise. What it does not show is not contradicted."""
    shown = {}
    for field in SHOWN:
        value = getattr(snapshot, field)
        if value is not None:
            words = field.removesuffix("_mhz").replace("_", " ")
            shown[words] = f"{value} MHz" if field.endswith("_mhz") else value
    return differing(sheet, shown, "shown")


def differing(sheet: Sheet, stated: Mapping[str, object], verb: str) -> list[str]:
    """One line for each declared value that is stated otherwise; spelling of keys and quantities does not matter."""
    declared = {key.strip().lower(): value for key, value in sheet.values.items()}
    return [
        f"{key}: declared {declared[words]}, {verb} {value}"
        for key, value in stated.items()
        if (words := key.strip().lower()) in declared and not _same(declared[words], value)
    ]


def _same(declared: object, stated: object) -> bool:
    return _canonical(declared) == _canonical(stated)


def _canonical(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    try:
        return units.parse_any(str(value)) or str(value).strip()
    except ValueError:
        return str(value).strip()
