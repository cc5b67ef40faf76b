"""The firmware's description of the machine: DMTF DSP0134, System Management BIOS (SMBIOS) Reference Specification.

Bytes to structures, nothing else. Layouts of the entry points: clause 5.2; of a structure and its strings: 6.1; of the
processor (type 4), the physical memory array (16) and the memory device (17): 7.5, 7.17, 7.18. The clause numbers are
from memory of version 3.x; offsets and enumerations agree with a published header file for version 3.8. All numbers are
little-endian. Whatever does not keep to that raises ValueError; nothing is read beyond the bytes that are there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

MOST_BYTES = 2**20
"""A table with a 32-bit entry point has 64 KiB at most; those of real machines are a few KiB."""
HEADER_BYTES = 4
END_OF_TABLE = 127
_LONGEST_TEXT = 128


@dataclass(frozen=True, slots=True, kw_only=True)
class Structure:
    """One structure: its formatted area, header and all, and its strings."""

    kind: int
    handle: int
    area: bytes
    strings: tuple[str, ...]

    def whole(self, offset: int, size: int) -> int | None:
        """A number; None where this structure is older and shorter."""
        field = self.area[offset : offset + size]
        return int.from_bytes(field, "little") if len(field) == size else None

    def text(self, offset: int) -> str | None:
        """The string that a field names by its number from 1; None for number 0, a blank string, or no such string."""
        number = self.whole(offset, 1) or 0
        return self.strings[number - 1] or None if 0 < number <= len(self.strings) else None


def structures(entry_point: bytes, table: bytes) -> Iterator[Structure]:
    """All structures of a table. Raises ValueError at the first thing that is not as the standard has it."""
    size, count = _extent(entry_point)
    table = table[:size]
    at = seen = 0
    while at + HEADER_BYTES <= len(table) and (count is None or seen < count):
        structure, at = _structure_at(table, at)
        yield structure
        seen += 1
        if count is None and structure.kind == END_OF_TABLE:
            return
    if count is not None and seen < count:
        raise ValueError(f"it ends after {seen} of {count} structures")
    if count is None:
        raise ValueError("it has no end mark")


def _extent(entry: bytes) -> tuple[int, int | None]:
    """Bytes of the table at most, and how many structures; None where an end mark says it."""
    if entry.startswith(b"_SM3_"):
        _sound(entry, length_at=6, least=0x18)
        size, count = int.from_bytes(entry[0x0C:0x10], "little"), None
    elif entry.startswith(b"_SM_"):
        _sound(entry, length_at=5, least=0x1E)
        if entry[0x10:0x15] != b"_DMI_" or sum(entry[0x10:0x1F]) % 256:
            raise ValueError("the intermediate part of the entry point is damaged")
        size, count = int.from_bytes(entry[0x16:0x18], "little"), int.from_bytes(entry[0x1C:0x1E], "little")
    else:
        raise ValueError(f"the entry point begins with {entry[:5]!r}")
    if size > MOST_BYTES:
        raise ValueError(f"the entry point speaks of {size} bytes")
    return size, count


def _sound(entry: bytes, *, length_at: int, least: int) -> None:
    """The bytes of an entry point add up to zero, modulo 256."""
    length = entry[length_at] if len(entry) > length_at else 0
    if not least <= length <= len(entry):
        raise ValueError(f"the entry point is {len(entry)} bytes long and says {length}")
    if sum(entry[:length]) % 256:
        raise ValueError("the entry point's checksum is wrong")


def _structure_at(table: bytes, at: int) -> tuple[Structure, int]:
    """The structure that begins there, and where the next one does."""
    kind, length = table[at], table[at + 1]
    strings_at = at + length
    end = table.find(b"\0\0", strings_at)
    if length < HEADER_BYTES or strings_at > len(table) or end < 0:
        raise ValueError(f"the structure at byte {at} is cut off or too short")
    texts = table[strings_at:end].split(b"\0")
    return Structure(
        kind=kind,
        handle=int.from_bytes(table[at + 2 : at + 4], "little"),
        area=table[at:strings_at],
        strings=tuple(_clean(text) for text in texts),
    ), end + 2


def _clean(raw: bytes) -> str:
    """A string without blanks around it; what is not printable is marked."""
    text = raw[:_LONGEST_TEXT].decode(errors="replace").strip()
    return "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text)
