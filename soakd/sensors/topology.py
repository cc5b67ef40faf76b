"""Which logical core is where, and what caches it has.

Documentation/ABI/stable/sysfs-devices-system-cpu (topology), Documentation/ABI/testing/sysfs-devices-system-cpu (cache,
cpu_capacity), Documentation/admin-guide/acpi/cppc_sysfs.rst, tools/perf/Documentation/intel-hybrid.txt (types of core).
"""

from __future__ import annotations

import re
from collections import defaultdict
from functools import partial
from typing import TYPE_CHECKING

from soakd.model.corelist import grouped, ranges
from soakd.model.snapshot_parts import SharedCache, Topology
from soakd.sensors.attributes import absent, cores_of, text_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from soakd.sensors.attributes import Attributes

_FILES = {
    "package": "topology/physical_package_id",
    "die": "topology/die_id",
    "physical_core": "topology/core_id",
    "capacity": "cpu_capacity",
    "highest_performance": "acpi_cppc/highest_perf",
    "nominal_performance": "acpi_cppc/nominal_perf",
    "nominal_clock_mhz": "acpi_cppc/nominal_freq",
}
"""Field to a file of each core. The kernel writes nominal_freq in MHz."""
_CORE_UNITS = r"(cpu|armv?\d*)_\w+"
"""Names of performance monitoring units that belong to one type of core: cpu_core, armv8_cortex_a72."""


def read_topology(read: Attributes) -> Topology:
    """Of the cores that are online; the kernel shows nothing of the others."""
    online = read.cores("topology", f"{read.sys}/devices/system/cpu/online")
    if not online:
        return Topology()
    cores = sorted(online)
    each = {field: grouped(_wholes(read, field, file, cores)) for field, file in _FILES.items()}
    return Topology(
        online=ranges(online),
        node=grouped(_nodes(read, online)),
        siblings=_siblings(read, cores),
        core_type=grouped(_types(read, online)),
        caches=_caches(read, cores),
        **each,
    )


def _wholes(read: Attributes, field: str, file: str, cores: Iterable[int]) -> dict[int, int]:
    folder = f"{read.sys}/devices/system/cpu/cpu"
    found = {core: read.whole(f"topology.{field}", f"{folder}{core}/{file}") for core in cores}
    return {core: value for core, value in found.items() if value is not None}


def _nodes(read: Attributes, online: frozenset[int]) -> dict[int, int]:
    folder = f"{read.sys}/devices/system/node"
    members = _members(read, "topology.node", folder, r"node\d{1,5}", "cpulist", online)
    return {core: int(name.removeprefix("node")) for core, name in members.items()}


def _types(read: Attributes, online: frozenset[int]) -> dict[int, str]:
    folder = f"{read.sys}/bus/event_source/devices"
    return _members(read, "topology.core_type", folder, _CORE_UNITS, "cpus", online)


def _members(
    read: Attributes, field: str, folder: str, pattern: str, file: str, online: frozenset[int]
) -> dict[int, str]:
    """Core to the name in whose list it is. A name without cores is nothing strange; that no name has any is."""
    found: dict[int, str] = {}
    for name in read.names(field, folder, pattern):
        cores = read.tried(field, partial(cores_of, f"{folder}/{name}/{file}")) or frozenset()
        found |= dict.fromkeys(cores & online, name)
    if not found:
        read.absent.setdefault(field, f"not there: {folder} names no core that is online")
    return found


def _siblings(read: Attributes, cores: Iterable[int]) -> tuple[str, ...]:
    found: dict[str, None] = {}
    seen: set[int] = set()
    for core in cores:
        if core not in seen:
            place = f"{read.sys}/devices/system/cpu/cpu{core}/topology"
            alike = read.cores("topology.siblings", f"{place}/core_cpus_list")
            seen |= alike
            found |= {ranges(alike): None} if alike else {}
    return tuple(found)


def _caches(read: Attributes, cores: Iterable[int]) -> dict[str, SharedCache]:
    """A cache is read at the first of the cores that share it."""
    sizes: dict[str, dict[int, int]] = defaultdict(dict)
    shared: dict[str, dict[str, None]] = defaultdict(dict)
    covered: set[tuple[str, int]] = set()
    for core in cores:
        folder = f"{read.sys}/devices/system/cpu/cpu{core}/cache"
        for index in read.names("topology.caches", folder, r"index\d{1,2}"):
            if (index, core) in covered:
                continue
            users = read.cores("topology.caches", f"{folder}/{index}/shared_cpu_list")
            covered |= {(index, user) for user in users}
            found = read.tried("topology.caches", partial(_cache, f"{folder}/{index}"))
            if found is not None and users:
                kind, size_kib = found
                shared[kind][ranges(users)] = None
                sizes[kind] |= dict.fromkeys(users, size_kib)
    return {kind: SharedCache(size_kib=grouped(sizes[kind]), shared_by=tuple(shared[kind])) for kind in sorted(sizes)}


def _cache(folder: str) -> tuple[str, int]:
    """Such as level 2 unified, and its size in KiB."""
    level, kind, size = (text_of(f"{folder}/{file}") for file in ("level", "type", "size"))
    match = re.fullmatch(r"(\d{1,9})K", size, re.ASCII)
    if not match or not level.isdecimal() or kind not in {"Data", "Instruction", "Unified"}:
        absent(f"malformed: {folder}: level {level[:20]!r}, type {kind[:20]!r}, size {size[:20]!r}")
    return f"level {level} {kind.lower()}", int(match[1])
