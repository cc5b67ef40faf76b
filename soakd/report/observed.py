"""What a snapshot shows as rows of words, and what it does not show, by the kind of reason."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd import units
from soakd.rules.differences import words
from soakd.rules.modules import counted, fitted_and_set

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.snapshot import Snapshot
    from soakd.model.snapshot_parts import PowerLimit

_KINDS = ("not permitted", "not there", "malformed", "not readable")
"""How reasons begin, for which something is absent."""
_NOT_SHOWN = "not shown by this system"


def observed_rows(shot: Snapshot) -> Iterator[tuple[str, str]]:
    """What it is and what it says: "firmware" and "Quay 1.20 03/01/2025"; last what could not be read."""
    identity = f"({shot.family_model_stepping or '?'}), microcode {shot.microcode or '?'}"
    yield "processor", f"{shot.processor or 'unnamed'} {identity}"
    physical = f" on {len(shot.topology.siblings)} cores" if shot.topology.siblings else ""
    yield "cores", f"{shot.logical_cores} logical{physical}, allowed {shot.cores_allowed}"
    yield "memory", f"{_size(shot.memory_total_mib)}, swap {_size(shot.swap_total_mib)}"
    yield "modules", counted(map(fitted_and_set, shot.memory_modules.values())) or _NOT_SHOWN
    yield "board", shot.board or _NOT_SHOWN
    yield "firmware", shot.firmware or _NOT_SHOWN
    clocks = f", {shot.minimum_clock_mhz} to {shot.maximum_clock_mhz} MHz" if shot.maximum_clock_mhz else ""
    yield "governor", f"{shot.governor or _NOT_SHOWN}{clocks}"
    for zone, own in shot.power_zones.items():
        limits = ", ".join(_limit(name, limit) for name, limit in own.limits.items() if limit.limit_w is not None)
        if limits and own.enabled is not False:
            yield "power limits", f"{zone}: {limits}"
    yield "kernel", shot.kernel
    for kind in (*_KINDS, "not shown"):
        fields = [field for field, reason in shot.absent.items() if _kind(reason) == kind]
        if fields:
            yield kind, "; ".join(_by_group(fields))


def _size(mib: int) -> str:
    return units.size_text(mib * 2**20)


def _limit(name: str, limit: PowerLimit) -> str:
    window = "" if limit.window_s is None else f" over {units.duration_text(limit.window_s)}"
    return f"{words(name)} {units.show(round(limit.limit_w or 0.0, 3), units.POWER)}{window}"


def _kind(reason: str) -> str:
    kind = reason.partition(":")[0]
    return kind if kind in _KINDS else "not shown"


def _by_group(fields: list[str]) -> Iterator[str]:
    """Boost; topology (core type, nominal clock)"""
    groups: dict[str, list[str]] = {}
    for field in fields:
        group, _, below = field.partition(".")
        groups.setdefault(group, []).extend([below] if below else [])
    for group, inner in groups.items():
        yield words(group) + (f" ({', '.join(map(words, inner))})" if inner else "")
