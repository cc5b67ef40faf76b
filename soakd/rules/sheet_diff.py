"""What is not the same in two sheets, field by field. It names every field whose change changes the fingerprint."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.rules.sheet_fields import ENTRIES, place, said, settings

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.sheet import Sheet
    from soakd.rules.sheet_fields import Leaf, Table


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One field."""

    place: str
    old: Leaf | None
    """None where it was not declared."""
    new: Leaf | None
    """None where it is not declared."""

    @property
    def line(self) -> str:
        old, new = (("not declared" if leaf is None else said(leaf)) for leaf in (self.old, self.new))
        if old == new:  # yes as a word, and as yes or no
            old, new = json.dumps(self.old), json.dumps(self.new)
        return f"{self.place} {old} → {new}"


def differences(old: Sheet, new: Sheet) -> list[Difference]:
    """In the order of the sheet; empty when both have one fingerprint on any bench."""
    return list(_of_tables((), settings(old), settings(new)))


def _of_tables(path: tuple[str, ...], old: Table, new: Table) -> Iterator[Difference]:
    for name in [*old, *(name for name in new if name not in old)]:
        inner, before, after = (*path, name), old.get(name), new.get(name)
        if isinstance(before, dict) or isinstance(after, dict):
            yield from _of_tables(inner, before or {}, after or {})
        elif inner in ENTRIES:
            yield from _of_entries(inner, before or [], after or [])
        elif not _same(before, after):
            yield Difference(place=place(path, name), old=before, new=after)


def _of_entries(path: tuple[str, ...], old: list[Table], new: list[Table]) -> Iterator[Difference]:
    """Entries of one name are one entry. So are two without a partner that differ in a single field, its key."""
    named = ENTRIES[path].named
    before, after = ({named(entry): entry for entry in entries} for entries in (old, new))
    come = [entry for name, entry in after.items() if name not in before]
    for name, entry in before.items():
        partner = after.get(name) or next((other for other in come if _single(entry, other)), None)
        if partner is None:
            yield from _of_tables((*path, name), _rest(path, entry), {})
            continue
        if partner in come:
            come.remove(partner)
        yield from _of_tables((*path, name), entry, partner)
    for entry in come:
        yield from _of_tables((*path, named(entry)), {}, _rest(path, entry))


def _rest(path: tuple[str, ...], entry: Table) -> Table:
    """An entry without the key that its name tells."""
    return {key: leaf for key, leaf in entry.items() if key not in ENTRIES[path].keys}


def _single(entry: Table, other: Table) -> bool:
    return sum(not _same(entry.get(key), other.get(key)) for key in entry | other) == 1


def _same(old: object, new: object) -> bool:
    """True is not 1, and 47 is 47.0, as in canonical JSON."""
    return old == new and isinstance(old, bool) is isinstance(new, bool)
