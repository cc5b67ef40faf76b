"""Memory modules in words: what is fitted, and how the firmware has set it."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from soakd import units

if TYPE_CHECKING:
    from collections.abc import Iterable

    from soakd.model.snapshot_parts import MemoryModule


def fitted(module: MemoryModule) -> str:
    """16 GiB DDR5 Quay Q16; empty where the tables say nothing of it."""
    size = units.size_text(module.size_mib * 2**20) if module.size_mib else ""
    return " ".join(text for text in (size, module.type, module.manufacturer, module.part_number) if text)


def fitted_and_set(module: MemoryModule) -> str:
    """The same, and its rate and voltage: 16 GiB DDR5 Quay Q16 at 5600 MT/s and 1.25 V."""
    rate, voltage_v = module.configured_speed_mt_s, module.configured_voltage_v
    ways = (
        units.show(rate, units.DATA_RATE) if rate else "",
        units.show(voltage_v, units.VOLTAGE) if voltage_v else "",
    )
    how = " and ".join(text for text in ways if text)
    return (fitted(module) or "a module that the tables do not describe") + (f" at {how}" if how else "")


def counted(texts: Iterable[str]) -> str:
    """Those that are alike together: 2 × 16 GiB DDR5 Quay Q16, 2 × 8 GiB DDR5."""
    return ", ".join(f"{count} × {text}" for text, count in sorted(Counter(texts).items()))
