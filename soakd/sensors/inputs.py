"""One number in one small file of the kernel's, or why there is none: what the kernel sources read with."""

from __future__ import annotations

import errno
import os
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

_NUMBER = re.compile(rb"\s*(-?\d{1,18})\s*")
_ATTRIBUTE_BYTES = 4096
"""No attribute of sysfs is longer (Documentation/filesystems/sysfs.rst); half a number would be another number."""
_GONE = frozenset({errno.ENOENT, errno.ENODEV, errno.ENXIO})


class Gap(Exception):  # noqa: N818 - a gap is a value on its way, not an error
    """Why an input has no value."""


def whole(path: str | Path, what: str = "") -> int:
    """The whole number in a file, read afresh: an open descriptor would outlive its driver. Raises Gap."""
    try:
        found = content(path)
    except OSError as error:
        raise Gap(f"{what}{why(error)}") from None
    match = _NUMBER.fullmatch(found)
    if match is None:
        shown = found[:20].decode(errors="replace").strip()
        raise Gap(f"{what}not a number: {shown!r}" if shown else f"{what}empty")
    return int(match[1])


def count(path: str | Path) -> int:
    """A whole number that is not negative. Raises Gap."""
    number = whole(path)
    if number < 0:
        raise Gap(f"not a count: {number}")
    return number


def why(error: OSError) -> str:
    """The reason of a gap in words that stay the same from one reading to the next."""
    if error.errno in _GONE:
        return "gone: it does not exist any more"
    if error.errno == errno.ENODATA:
        return "switched off in the chip (no data)"
    return f"cannot be read: {error.strerror}"


def content(path: str | Path) -> bytes:
    """What the file holds, never waiting for it. Raises OSError."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    try:
        return os.read(descriptor, _ATTRIBUTE_BYTES)
    finally:
        os.close(descriptor)


def text(path: Path) -> str:
    """A name or label in printable characters and single spaces; empty when there is none or it cannot be read."""
    try:
        found = content(path).decode(errors="replace")
    except OSError:
        return ""
    return printable(found)


def printable(found: str) -> str:
    return " ".join("".join(char if char.isprintable() else " " for char in found).split())


def entries(folder: Path) -> list[str]:
    """The names in a folder; none when it is not there or may not be entered."""
    try:
        return sorted(entry.name for entry in folder.iterdir())
    except OSError:
        return []


def free(name: str, taken: set[str]) -> str:
    """The name, with a number when the kernel itself shows no difference; it is taken then."""
    candidate, number = name, 1
    while candidate in taken:
        number += 1
        candidate = f"{name} #{number}"
    taken.add(candidate)
    return candidate
