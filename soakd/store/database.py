"""One SQLite file: opening, migrating, named queries.

WAL with synchronous=FULL, because the bench may die of what it is about to do and the last commit must survive that.

Exactly one connection writes and checkpoints; every other one is opened read-only (sqlite.org/wal.html).
"""

from __future__ import annotations

import re
import sqlite3
from contextlib import contextmanager
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from soakd.errors import StoreError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_BUSY_S = 5.0
_NAME = re.compile(r"^-- name: (\w+)\n", re.MULTILINE)


@cache
def query(name: str) -> str:
    """A named statement from queries.sql."""
    text = files("soakd.store").joinpath("queries.sql").read_text(encoding="utf-8")
    _, *pairs = _NAME.split(text)
    return dict(zip(pairs[::2], pairs[1::2], strict=True))[name]


@cache
def migrations() -> tuple[str, ...]:
    """All migrations in order: 001.sql, 002.sql, …"""
    folder = files("soakd.store").joinpath("migrations")
    return tuple(each.read_text(encoding="utf-8") for each in sorted(folder.iterdir(), key=lambda each: each.name))


def open_for_writing(path: Path) -> sqlite3.Connection:
    """The writer's connection to a checked, migrated file. Raises StoreError with what is wrong."""
    try:
        unclean = path.with_name(f"{path.name}-wal").exists()
        connection = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        if unclean:
            _check(connection, path)
        _migrate(connection, path)
    except (sqlite3.Error, OSError) as error:
        raise store_error(path, error) from error
    return connection


def open_for_reading(path: Path) -> sqlite3.Connection:
    """A connection that cannot write. Raises StoreError when there is no journal yet or it is newer than this code."""
    try:
        if not path.is_file():
            hint = "the first `soakd run` makes one; or set SOAKD_HOME"
            raise StoreError(f"there is no journal at {path}", hint=hint)
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=_BUSY_S, isolation_level=None
        )
        version = connection.execute("PRAGMA user_version").fetchone()[0]
    except (sqlite3.Error, OSError) as error:
        raise store_error(path, error) from error
    if version > len(migrations()):
        raise StoreError(f"{path} was written by a newer soakd (version {version})", hint="update soakd")
    return connection


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """All or nothing, durable on return."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield connection
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def store_error(path: Path, error: Exception) -> StoreError:
    hint = "free some space" if "full" in str(error) else f"is {path.parent} writable, and on a healthy drive?"
    return StoreError(f"the journal {path} cannot be used: {error}", hint=hint)


def _check(connection: sqlite3.Connection, path: Path) -> None:
    """After an end that was not clean, which leaves the write-ahead log behind: is the file whole?"""
    result = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if result != "ok":
        raise StoreError(f"the journal {path} is damaged: {result}", hint="move it away; soakd will start a new one")


def _migrate(connection: sqlite3.Connection, path: Path) -> None:
    """Each migration and its version number in one transaction."""
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version > len(migrations()):
        raise StoreError(f"{path} was written by a newer soakd (version {version})", hint="update soakd")
    for number, script in enumerate(migrations()[version:], start=version + 1):
        try:
            connection.executescript(f"BEGIN IMMEDIATE;\n{script}\nPRAGMA user_version = {number};\nCOMMIT;")
        except sqlite3.Error:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
