"""A sheet's settings as rows of words: one for each part of it, and one for each value that has no place of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd import units
from soakd.rules.sheet_fields import leaves, said, settings

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.sheet import Sheet
    from soakd.rules.sheet_fields import Leaf


def declared_rows(sheet: Sheet) -> Iterator[tuple[str, str]]:
    """Part and what it declares: "clocks, limits" and "up to 1 active core: ratio 51; up to 6 active cores: …"."""
    if sheet.parent is not None:
        yield "made from", sheet.parent
    parts: dict[tuple[str, ...], dict[str, list[str]]] = {}
    for path, name, leaf in leaves((), settings(sheet)):
        if path and path != ("values",):
            entries = parts.setdefault(path[:2], {})
            entries.setdefault(", ".join(path[2:]), []).append(f"{name} {_told(leaf)}")
    for path, entries in parts.items():
        told = (f"{name}: {', '.join(facts)}" if name else ", ".join(facts) for name, facts in entries.items())
        yield ", ".join(path), "; ".join(told)
    for name, value in sheet.values.items():
        yield name, said(value)


def _told(leaf: Leaf) -> str:
    """Words in quotes, since they may hold commas; a quantity as it is."""
    if not isinstance(leaf, str):
        return said(leaf)
    try:
        return units.parse_any(leaf) or f"“{leaf}”"
    except ValueError:
        return f"“{leaf}”"
