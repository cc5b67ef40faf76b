"""Plans and sheets that can be chosen by name: the bench's own, in its state folder, and those that come with soakd."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final, Literal, TypeVar

from soakd.config.files import load
from soakd.config.shipped import shipped
from soakd.errors import ConfigError
from soakd.model.plan import Plan
from soakd.model.sheet import Sheet
from soakd.model.virtual import VirtualBench

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from soakd.model.base import Value

File = TypeVar("File", Plan, Sheet, VirtualBench)
Origin = Literal["own", "shipped"]
ORIGINS: Final[dict[Origin, str]] = {"own": "of this bench", "shipped": "comes with soakd"}
_LARGEST_BYTES: Final = 256 * 1024
_MOST: Final = 500
"""Files of one folder that are looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """One file."""

    name: str
    """What it calls itself; the file's own name where it cannot be read."""
    origin: Origin
    path: Path
    problem: str | None
    """Why it cannot be used, in one line."""

    @property
    def key(self) -> str:
        """How it is asked for: own/evening, shipped/three-minutes."""
        return f"{self.origin}/{self.path.stem}"

    @property
    def label(self) -> str:
        """Name and where it comes from, for a list to choose from."""
        return f"{self.name} ({ORIGINS[self.origin]}, {self.path.name})"


def plans(home: Path) -> list[Stored]:
    """The bench's own first, each by file name. A folder that is not there holds nothing."""
    return list(_all(home, "plans", Plan))


def sheets(home: Path) -> list[Stored]:
    """Likewise."""
    return list(_all(home, "sheets", Sheet))


def benches(home: Path) -> list[Stored]:
    """Virtual benches, likewise."""
    return list(_all(home, "benches", VirtualBench))


def plan(home: Path, key: str) -> Plan:
    """By its key. Raises ConfigError for one that is not there, or cannot be used."""
    return _one(home, key, "plans", Plan)


def sheet(home: Path, key: str) -> Sheet:
    """Likewise."""
    return _one(home, key, "sheets", Sheet)


def bench(home: Path, key: str) -> VirtualBench:
    """Likewise."""
    return _one(home, key, "benches", VirtualBench)


def _all(home: Path, folder: str, kind: type[File]) -> Iterator[Stored]:
    for path, origin in _files(home, folder):
        try:
            name, problem = _read(path, kind).name, None
        except ConfigError as error:
            name, problem = path.stem, error.message
        yield Stored(name=name, origin=origin, path=path, problem=problem)


def _files(home: Path, folder: str) -> Iterator[tuple[Path, Origin]]:
    own = home / folder
    found = sorted(path for path in own.glob("*.toml") if path.is_file()) if own.is_dir() else []
    yield from ((path, "own") for path in found[:_MOST])
    yield from ((path, "shipped") for path in shipped(folder).values())


def _one(home: Path, key: str, folder: str, kind: type[File]) -> File:
    for path, origin in _files(home, folder):
        if key == f"{origin}/{path.stem}":
            return _read(path, kind)
    raise ConfigError(file=key, key="", value="", wanted=f"there is none of that name among the stored {folder}")


def _read(path: Path, kind: type[File]) -> File:
    """The file as it is now; read again only when it has changed."""
    try:
        state = path.stat()
    except OSError as error:
        raise ConfigError(file=str(path), key="", value="", wanted=str(error.strerror).lower()) from error
    if state.st_size > _LARGEST_BYTES:
        wanted = f"larger than {_LARGEST_BYTES // 1024} KiB, which no {kind.__name__.lower()} is"
        raise ConfigError(file=str(path), key="", value="", wanted=wanted)
    found = _kept(path, kind, state.st_mtime_ns, state.st_size, state.st_ino)
    if isinstance(found, ConfigError):
        raise found.with_traceback(None)
    return found  # type: ignore[return-value] # of the kind that was asked for


@lru_cache(maxsize=64)
def _kept(path: Path, kind: type[Value], *_: int) -> Value | ConfigError:
    try:
        return load(path, kind)
    except ConfigError as error:
        return error
