"""What a sheet declares, field by field, each with its place in words.

A place is the way through the sheet and the field: "clocks, limits, up to 4 active cores: ratio".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

from soakd.rules.fingerprint import declared_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from soakd.model.base import Value
    from soakd.model.sheet import Sheet

Leaf: TypeAlias = bool | int | float | str | list[int]
"""One declared value: quantities are text in their base unit, ratios and counts are numbers."""
Table: TypeAlias = dict[str, Any]
"""Part of a sheet as it is written, key to leaf, table or list of entries."""


@dataclass(frozen=True, slots=True)
class Entries:
    """A list whose entries are known by some of their keys."""

    keys: tuple[str, ...]
    named: Callable[[Table], str]


def active_cores(count: int) -> str:
    return "1 active core" if count == 1 else f"{count} active cores"


def _step(entry: Table) -> str:
    least = int(entry.get("active-cores", 1))
    return f"from {entry['at']}" + (f" with {active_cores(least)} or more" if least > 1 else "")


ENTRIES: dict[tuple[str, ...], Entries] = {
    ("clocks", "limits"): Entries(("active-cores",), lambda entry: f"up to {active_cores(entry['active-cores'])}"),
    ("clocks", "cores"): Entries(("core",), lambda entry: f"core {entry['core']}"),
    ("clocks", "vector"): Entries(("width",), lambda entry: f"{entry['width']} bits"),
    ("clocks", "steps-down"): Entries(("at", "active-cores"), _step),
    ("voltages", "curve"): Entries(("ratio",), lambda entry: f"ratio {entry['ratio']:g}"),
}


def settings(sheet: Sheet) -> Table:
    """The sheet as it is written, without what is no setting (version, note, parent) or not declared."""
    declared = declared_of(sheet)
    del declared["version"]
    return declared


def fields(sheet: Sheet) -> dict[str, Leaf]:
    """Place to declared value, in the sheet's order."""
    return {place(path, name): leaf for path, name, leaf in leaves((), settings(sheet))}


def leaves(path: tuple[str, ...], table: Table) -> Iterator[tuple[tuple[str, ...], str, Leaf]]:
    """Way, name and value of everything that is declared in a table; entries go by their names, not by their keys."""
    for name, value in table.items():
        inner = (*path, name)
        if isinstance(value, dict):
            yield from leaves(inner, value)
        elif inner in ENTRIES:
            kind = ENTRIES[inner]
            for entry in value:
                rest = {key: leaf for key, leaf in entry.items() if key not in kind.keys}
                yield from leaves((*inner, kind.named(entry)), rest)
        else:
            yield path, name, value


def place(path: tuple[str, ...], name: str) -> str:
    """The way to a field in words."""
    return f"{', '.join(path)}: {name}" if path else name


def place_in(path: tuple[str, ...], entry: Value, name: str) -> str:
    """The way to a field of an entry of one of the lists."""
    return place((*path, ENTRIES[path].named(entry.model_dump(mode="json"))), name)


def said(leaf: object) -> str:
    """A declared value as a person reads it."""
    if isinstance(leaf, bool):
        return "yes" if leaf else "no"
    if isinstance(leaf, list):
        return ", ".join(map(str, leaf))
    return f"{leaf:.15g}" if isinstance(leaf, float) else str(leaf)
