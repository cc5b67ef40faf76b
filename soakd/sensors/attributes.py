"""Small files of proc and sys: read within bounds, understood or refused, and every refusal kept with its reason.

A file that is not there, not permitted or malformed is never an error here; it is a field that stays empty and a line
that says why.
"""

from __future__ import annotations

import errno
import os
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NoReturn, TypeVar

from soakd.model.corelist import cores_in

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    T = TypeVar("T")

ATTRIBUTE_BYTES = 4096
"""No attribute of sysfs is longer (Documentation/filesystems/sysfs.rst); half a number would be another number."""
MOST_NAMES = 8192
_WHOLE = re.compile(r"\d{1,18}", re.ASCII)


class AbsentError(Exception):
    """Why something has no value: a reason on its way, not an error."""


class NotThereError(AbsentError):
    """This machine, or this kernel, has no such thing."""


@dataclass(slots=True)
class Attributes:
    """Reads below two roots; `absent` holds for each field the first reason why it could not be read."""

    proc: Path
    sys: Path
    absent: dict[str, str] = field(default_factory=dict)

    def tried(self, name: str, read: Callable[[], T]) -> T | None:
        """What `read` returns; None, and the reason noted, where it raises AbsentError."""
        try:
            return read()
        except AbsentError as error:
            self.absent.setdefault(name, str(error))
            return None

    def text(self, name: str, path: str | Path, *, blank: str | None = None) -> str | None:
        """The text without its ends; `blank` is what an empty file means, if that means anything."""
        return self.tried(name, lambda: text_of(path) or blank or absent(f"malformed: {path}: empty"))

    def whole(self, name: str, path: str | Path, *, divide_by: int = 1) -> int | None:
        """A whole number that is not negative."""
        return self.tried(name, lambda: whole_of(path) // divide_by)

    def cores(self, name: str, path: str | Path) -> frozenset[int]:
        """The cores of a list; none where it cannot be read, or names none."""
        return self.tried(name, lambda: cores_of(path) or absent(f"malformed: {path}: empty")) or frozenset()

    def names(self, name: str, folder: str | Path, pattern: str) -> list[str]:
        """What lies in a folder and is named so, numbers in their order; noted if there is nothing."""
        found = self.tried(name, lambda: names_in(folder, pattern) or absent(f"not there: {folder} has none"))
        return found or []


def absent(reason: str) -> NoReturn:
    raise AbsentError(reason)


def bytes_of(path: str | Path, most: int = ATTRIBUTE_BYTES, *, cut: bool = False) -> bytes:
    """At most so many bytes; a longer file is malformed, unless it may be cut. Raises AbsentError."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        try:
            content = b""
            while len(content) <= most and (more := os.read(descriptor, most + 1 - len(content))):
                content += more
        finally:
            os.close(descriptor)
    except OSError as error:
        raise _reason(error, path) from None
    if len(content) > most and not cut:
        raise AbsentError(f"malformed: {path}: longer than {most} bytes")
    return content[:most]


def text_of(path: str | Path, most: int = ATTRIBUTE_BYTES, *, cut: bool = False) -> str:
    """The text without its ends; bytes that are no text are marked. Raises AbsentError."""
    return bytes_of(path, most, cut=cut).decode(errors="replace").strip()


def whole_of(path: str | Path) -> int:
    """Raises AbsentError."""
    text = text_of(path)
    if not _WHOLE.fullmatch(text):
        raise AbsentError(f"malformed: {path}: not a whole number: {text[:20]!r}")
    return int(text)


def cores_of(path: str | Path) -> frozenset[int]:
    """Raises AbsentError."""
    try:
        return cores_in(text_of(path))
    except ValueError as error:
        raise AbsentError(f"malformed: {path}: {error}") from None


def names_in(folder: str | Path, pattern: str) -> list[str]:
    """Raises AbsentError."""
    try:
        found = [name for name in os.listdir(folder)[:MOST_NAMES] if re.fullmatch(pattern, name, re.ASCII)]  # noqa: PTH208 - names, not paths
    except OSError as error:
        raise _reason(error, folder) from None
    return sorted(found, key=lambda name: [int(part) if part.isdigit() else part for part in _parts(name)])


def _parts(name: str) -> list[str]:
    """Words and numbers by turns, beginning with a word."""
    return re.split(r"([0-9]{1,9})", name)


def _reason(error: OSError, path: str | Path) -> AbsentError:
    if error.errno in {errno.ENOENT, errno.ENOTDIR}:
        return NotThereError(f"not there: {path}")
    if error.errno in {errno.EACCES, errno.EPERM}:
        return AbsentError(f"not permitted: {path}")
    return AbsentError(f"not readable: {path}: {error.strerror}")
