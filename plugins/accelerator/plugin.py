"""Accelerators: their sensors through NVML, and a workload of exact matrix products that checks itself.

Two plugins in one folder, told apart by `kind` in soakd.toml; what each needs is imported only for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from soakd.api import Sensors, Workload


def sensors(options: dict[str, Any]) -> Sensors:
    """Needs nvidia-ml-py and the maker's driver."""
    from .readings import Accelerators  # noqa: PLC0415 - NVML for sensors alone

    return Accelerators(options)


def workload(options: dict[str, Any]) -> Workload:
    """Needs numpy, and torch or cupy with the accelerator's runtime."""
    from .products import Products  # noqa: PLC0415 - arrays for the workload alone

    return Products(options)
