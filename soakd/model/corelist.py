"""Core numbers as the kernel writes lists of them: 0-3,8 (Documentation/admin-guide/cputopology.rst)."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Mapping

    H = TypeVar("H", bound=Hashable)

MOST_CORES = 8192
"""No Linux for PC hardware counts further (CONFIG_NR_CPUS of x86); a longer range is a broken text."""
_PART = re.compile(r"(\d{1,6})(?:-(\d{1,6}))?", re.ASCII)


def ranges(cores: Iterable[int]) -> str:
    """The text for these cores."""
    parts: list[list[int]] = []
    for core in sorted(cores):
        if parts and core == parts[-1][1] + 1:
            parts[-1][1] = core
        else:
            parts.append([core, core])
    return ",".join(f"{low}-{high}" if low != high else f"{low}" for low, high in parts)


def cores_in(text: str) -> frozenset[int]:
    """The cores that a text names; none for an empty one. Raises ValueError for what is no such list."""
    cores: set[int] = set()
    for part in text.split(",") if text else ():
        match = _PART.fullmatch(part)
        low, high = (int(match[1]), int(match[2] or match[1])) if match else (1, 0)
        if low > high or high >= MOST_CORES:
            raise ValueError(f"not a list of cores: {text[:40]!r}")
        cores |= set(range(low, high + 1))
    return frozenset(cores)


def grouped(values: Mapping[int, H]) -> dict[str, H]:
    """Core to value, with cores of equal value under one key, by their first core."""
    members: dict[H, list[int]] = {}
    for core in sorted(values):
        members.setdefault(values[core], []).append(core)
    return {ranges(cores): value for value, cores in members.items()}
