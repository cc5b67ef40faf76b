"""What keeps the machine, or our own processes, below what they could do: power limits and control groups."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from soakd.model.corelist import ranges
from soakd.model.snapshot_parts import OwnLimits, PowerLimit, PowerZone
from soakd.sensors.attributes import NotThereError, absent, cores_of, text_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from soakd.sensors.attributes import Attributes

NO_LIMIT = "no limit"
_MICRO = 1e6


def read_power_zones(read: Attributes) -> dict[str, PowerZone]:
    """Documentation/ABI/testing/sysfs-class-powercap; limits in µW, windows in µs. The energy counters are readings."""
    folder = f"{read.sys}/class/powercap"
    found = {}
    for zone in read.names("power_zones", folder, r"[\w-]+(:\d+)+"):
        place = f"{folder}/{zone}"
        name = read.text("power_zones", f"{place}/name")
        enabled = read.whole("power_zones.enabled", f"{place}/enabled")
        found[f"{zone} {name}" if name else zone] = PowerZone(
            enabled=None if enabled is None else enabled != 0, limits=_limits(read, place)
        )
    return found


def _limits(read: Attributes, place: str) -> dict[str, PowerLimit]:
    field = "power_zones.limits"
    found: dict[str, PowerLimit] = {}
    for file in read.names(field, place, r"constraint_\d+_power_limit_uw"):
        stem = f"{place}/{file.removesuffix('_power_limit_uw')}"
        number = file.split("_")[1]
        limit_uw = read.whole(f"{field}.limit_w", f"{place}/{file}")
        window_us = read.whole(f"{field}.window_s", f"{stem}_time_window_us")
        name = read.text(field, f"{stem}_name") or number
        found[name if name not in found else f"{name} ({number})"] = PowerLimit(
            limit_w=None if limit_uw is None else limit_uw / _MICRO,
            window_s=None if window_us is None else window_us / _MICRO,
        )
    return found


def read_own_limits(read: Attributes) -> OwnLimits:
    """Of the group that this process is in and of all above it: the tightest of each (version 2 alone)."""
    groups = read.tried("own_limits", lambda: _groups(read))
    if groups is None:
        return OwnLimits()
    return OwnLimits(
        cores=read.tried("own_limits.cores", lambda: _nearest(groups, "cpuset.cpus.effective")),
        memory_nodes=read.tried("own_limits.memory_nodes", lambda: _nearest(groups, "cpuset.mems.effective")),
        processor_time=read.tried("own_limits.processor_time", lambda: _processor_time(groups)),
        memory=read.tried("own_limits.memory", lambda: _memory(groups)),
    )


def _groups(read: Attributes) -> list[str]:
    """Folders from our own group up to the root of what we see."""
    own = text_of(f"{read.proc}/self/cgroup")
    match = re.search(r"^0::(/.*)$", own, re.MULTILINE)
    parts = [part for part in match[1].split("/") if part] if match else []
    if not match or ".." in parts:
        absent(f"not there: {read.proc}/self/cgroup: no group of version 2 that can be seen from here")
    root = f"{read.sys}/fs/cgroup"
    try:
        text_of(f"{root}/cgroup.controllers")
    except NotThereError:
        root += "/unified"  # beside groups of version 1
        text_of(f"{root}/cgroup.controllers")
    return ["/".join([root, *parts[:depth]]) for depth in range(len(parts), -1, -1)]


def _nearest(groups: Sequence[str], file: str) -> str:
    """The list of the nearest group that has one."""
    _controlled(groups, "cpuset")
    for group in groups:
        try:
            return ranges(cores_of(f"{group}/{file}"))
        except NotThereError:
            continue
    raise NotThereError(f"not there: {groups[0]}/{file}, nor above")


def _processor_time(groups: Sequence[str]) -> str:
    _controlled(groups, "cpu")
    shares = _each(groups, "cpu.max", r"(\d{1,18}|max) (\d{1,18})", lambda m: 100.0 * int(m[1]) / max(1, int(m[2])))
    return f"{min(shares):.4g} % of one core" if shares else NO_LIMIT


def _memory(groups: Sequence[str]) -> str:
    _controlled(groups, "memory")
    sizes = _each(groups, "memory.max", r"(\d{1,18}|max)", lambda m: int(m[1]) / 2**20)
    return f"{min(sizes):.0f} MiB" if sizes else NO_LIMIT


def _controlled(groups: Sequence[str], controller: str) -> None:
    if controller not in text_of(f"{groups[-1]}/cgroup.controllers").split():
        absent(f"not there: {groups[-1]}: `{controller}` is not under version 2 of control groups")


def _each(groups: Sequence[str], file: str, form: str, value: Callable[[re.Match[str]], float]) -> list[float]:
    """The limit of every group that sets one; a group without the file, or with `max`, sets none."""
    found = []
    for group in groups:
        try:
            text = text_of(f"{group}/{file}")
        except NotThereError:
            continue
        match = re.fullmatch(form, text, re.ASCII)
        if match is None:
            absent(f"malformed: {group}/{file}: {text[:40]!r}")
        if match[1] != "max":
            found.append(value(match))
    return found
