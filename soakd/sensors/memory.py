"""Memory modules, processor sockets and memory controllers, as firmware and kernel describe them.

Types 0 to 2 of the firmware's tables (firmware, system, board) are not read here: the kernel shows their texts to
everybody under class/dmi/id. The tables themselves it shows to root alone, because serial numbers stand in them.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from soakd.model.snapshot_parts import MemoryController, MemoryModule, Socket
from soakd.sensors.attributes import absent, bytes_of
from soakd.sensors.smbios import MOST_BYTES, structures

if TYPE_CHECKING:
    from collections.abc import Iterable

    from soakd.sensors.attributes import Attributes
    from soakd.sensors.smbios import Structure

_PROCESSOR, _MEMORY_ARRAY, _MEMORY_DEVICE = 4, 16, 17
_SYSTEM_MEMORY = 3
_POPULATED = 0x40
_CORRECTIONS = {3: "none", 4: "parity", 5: "single-bit ECC", 6: "multi-bit ECC", 7: "CRC"}
_TYPES = {
    0x12: "DDR", 0x13: "DDR2", 0x14: "DDR2 FB-DIMM", 0x18: "DDR3", 0x19: "FBD2", 0x1A: "DDR4", 0x1B: "LPDDR",
    0x1C: "LPDDR2", 0x1D: "LPDDR3", 0x1E: "LPDDR4", 0x1F: "logical non-volatile device", 0x20: "HBM", 0x21: "HBM2",
    0x22: "DDR5", 0x23: "LPDDR5", 0x24: "HBM3",
}  # fmt: skip
_OLD_VOLTAGES_V = {1: 5.0, 2: 3.3, 4: 2.9}
_FIELDS = ("memory_modules", "memory_error_correction", "sockets")


def read_tables(read: Attributes) -> tuple[dict[str, MemoryModule], str | None, dict[str, Socket]]:
    """Modules by slot, the memory's error correction, and processors by socket."""
    found = read.tried(_FIELDS[0], lambda: _structures(f"{read.sys}/firmware/dmi/tables"))
    if found is None:
        read.absent |= dict.fromkeys(_FIELDS, read.absent[_FIELDS[0]])
        return {}, None, {}
    arrays = {each.handle: each for each in found if each.kind == _MEMORY_ARRAY}
    elsewhere = {handle for handle, each in arrays.items() if each.whole(5, 1) != _SYSTEM_MEMORY}
    devices = [each for each in found if each.kind == _MEMORY_DEVICE and each.whole(4, 2) not in elsewhere]
    modules = [each for each in devices if each.whole(0x0C, 2) != 0]
    processors = [each for each in found if each.kind == _PROCESSOR and (each.whole(0x18, 1) or 0) & _POPULATED]
    kinds = {arrays[handle].whole(6, 1) for handle in arrays.keys() - elsewhere}
    corrections = sorted(_CORRECTIONS[kind] for kind in kinds if kind in _CORRECTIONS)
    for field, present in zip(_FIELDS, (modules, corrections, processors), strict=True):
        if not present:
            read.absent[field] = "not there: the firmware's tables do not tell"
    return (
        dict(zip(_slots(modules), map(_module, modules), strict=True)),
        ", ".join(corrections) or None,
        dict(zip(_names((each.text(4) for each in processors), "socket"), map(_socket, processors), strict=True)),
    )


def _structures(folder: str) -> list[Structure]:
    entry_point, table = bytes_of(f"{folder}/smbios_entry_point"), bytes_of(f"{folder}/DMI", MOST_BYTES)
    try:
        return list(structures(entry_point, table))
    except ValueError as error:
        absent(f"malformed: {folder}/DMI: {error}")


def _slots(modules: Iterable[Structure]) -> list[str]:
    """The device locator; where several slots share one, with the bank's locator before it."""
    places = [(each.text(0x11), each.text(0x10)) for each in modules]
    often = Counter(slot for _, slot in places)
    return _names((slot if often[slot] == 1 else " ".join(filter(None, (bank, slot))) for bank, slot in places), "slot")


def _names(texts: Iterable[str | None], what: str) -> list[str]:
    """Every one a name, and no two alike."""
    names: list[str] = []
    for number, text in enumerate(texts, 1):
        names.append(text if text and text not in names else f"{text or what} ({number})")
    return names


def _module(each: Structure) -> MemoryModule:
    rank = (each.whole(0x1B, 1) or 0) & 0x0F
    return MemoryModule(
        bank=each.text(0x11),
        type=_TYPES.get(each.whole(0x12, 1) or 0),
        size_mib=_size_mib(each),
        speed_mt_s=_speed_mt_s(each, 0x15, 0x54),
        configured_speed_mt_s=_speed_mt_s(each, 0x20, 0x58),
        configured_voltage_v=(each.whole(0x26, 2) or 0) / 1000.0 or None,
        ranks=rank or None,
        manufacturer=each.text(0x17),
        part_number=each.text(0x1A),
    )


def _size_mib(each: Structure) -> int | None:
    """MiB, or KiB with the highest bit set; 7FFFh: see the extended size; FFFFh: not known."""
    size = each.whole(0x0C, 2)
    if size is None or size == 0xFFFF:
        return None
    if size == 0x7FFF:
        return (each.whole(0x1C, 4) or 0) & 0x7FFF_FFFF or None
    return (size & 0x7FFF) // 1024 if size & 0x8000 else size


def _speed_mt_s(each: Structure, offset: int, extended: int) -> int | None:
    """MT/s; 0: not known; FFFFh: see the extended speed."""
    speed = each.whole(offset, 2)
    if speed == 0xFFFF:
        speed = (each.whole(extended, 4) or 0) & 0x7FFF_FFFF
    return speed or None


def _socket(each: Structure) -> Socket:
    """Speeds in MHz, 0 where not known; voltage in tenths with the highest bit set, else one of three old ones."""
    voltage = each.whole(0x11, 1) or 0
    return Socket(
        version=each.text(0x10),
        external_clock_mhz=each.whole(0x12, 2) or None,
        maximum_speed_mhz=each.whole(0x14, 2) or None,
        current_speed_mhz=each.whole(0x16, 2) or None,
        voltage_v=(voltage & 0x7F) / 10.0 or None if voltage & 0x80 else _OLD_VOLTAGES_V.get(voltage),
        cores=_count(each, 0x23, 0x2A),
        cores_enabled=_count(each, 0x24, 0x2C),
        threads=_count(each, 0x25, 0x2E),
    )


def _count(each: Structure, offset: int, wide: int) -> int | None:
    """0: not known; FFh: see the wide field."""
    count = each.whole(offset, 1)
    return (each.whole(wide, 2) if count == 0xFF else count) or None


def read_controllers(read: Attributes) -> dict[str, MemoryController]:
    """Documentation/ABI/testing/sysfs-devices-edac. Their error counts are readings, and read elsewhere."""
    folder = f"{read.sys}/devices/system/edac/mc"
    found = {}
    for name in read.names("memory_controllers", folder, r"mc\d{1,3}"):
        modes = set()
        for module in read.names("memory_controllers.error_correction", f"{folder}/{name}", r"(dimm|rank)\d{1,4}"):
            mode = f"{folder}/{name}/{module}/dimm_edac_mode"
            modes.add(read.text("memory_controllers.error_correction", mode))
        found[name] = MemoryController(
            driver=read.text("memory_controllers.driver", f"{folder}/{name}/mc_name"),
            error_correction=", ".join(sorted(filter(None, modes))) or None,
        )
    return found
