"""How much memory there is to test, and how much of it the caches could answer for."""

from __future__ import annotations

from typing import Final

CACHES: Final = 4
"""A memory share has to be this many times the last-level cache, or the cache answers for the memory."""


def last_level_cache_bytes() -> int:
    """Size of the largest cache that the first core shows; 0 where the system does not say."""
    sizes = []
    for index in range(8):
        try:
            with open(f"/sys/devices/system/cpu/cpu0/cache/index{index}/size", encoding="ascii") as size:  # noqa: PTH123
                sizes.append(int(size.read().strip().removesuffix("K")) * 1024)
        except (OSError, ValueError):
            continue
    return max(sizes, default=0)


def available_memory_bytes() -> int:
    """MemAvailable of proc(5): what can be taken without pushing anything out to swap."""
    with open("/proc/meminfo", encoding="ascii") as lines:  # noqa: PTH123 - pathlib is not worth a worker's memory
        for line in lines:
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    raise OSError("/proc/meminfo has no MemAvailable")
