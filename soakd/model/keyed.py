"""Entries and names whose order in a file means nothing: they are put in one order, and none may stand twice."""

from __future__ import annotations

from itertools import pairwise
from typing import TypeVar

from pydantic import AfterValidator

from soakd.model.base import Value

Entry = TypeVar("Entry", bound=Value)
Named = TypeVar("Named")


def one_each(*keys: str) -> AfterValidator:
    """For a tuple of entries: by rising key, and each key once."""

    def key_of(entry: Value) -> tuple[float, ...]:
        return tuple(getattr(entry, key) for key in keys)

    def in_order(entries: tuple[Entry, ...]) -> tuple[Entry, ...]:
        ordered = tuple(sorted(entries, key=key_of))
        for entry, following in pairwise(ordered):
            if key_of(entry) == key_of(following):
                raise ValueError(f"{_as_written(entry, keys)} stands there twice; keep one of the two entries")
        return ordered

    return AfterValidator(in_order)


def _as_written(entry: Value, keys: tuple[str, ...]) -> str:
    names = [type(entry).model_fields[key].alias or key for key in keys]
    written = entry.model_dump(mode="json")
    return " with ".join(
        f"{name} = {written[name]:g}" if isinstance(written[name], float) else f"{name} = {written[name]}"
        for name in names
    )


def _numbers(numbers: tuple[int, ...]) -> tuple[int, ...]:
    if len(set(numbers)) != len(numbers):
        raise ValueError("name each only once")
    return tuple(sorted(numbers))


def _spelled_once(named: dict[str, Named]) -> dict[str, Named]:
    seen: dict[str, str] = {}
    for name in named:
        if not name.strip():
            raise ValueError("a name is missing")
        other = seen.setdefault(name.strip().casefold(), name)
        if other != name:
            raise ValueError(f"{other!r} and {name!r} are one name; keep one of the two")
    return {name.strip(): value for name, value in named.items()}


NUMBERS_ONCE = AfterValidator(_numbers)
"""For a tuple of numbers: rising, each once."""
NAMES_ONCE = AfterValidator(_spelled_once)
"""For a table: names that differ only in capitals or in space around them are one name."""
