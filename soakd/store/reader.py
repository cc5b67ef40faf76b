"""A connection that cannot write, and the named queries over it."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING, Any

from soakd.store.database import open_for_reading, query, store_error

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

Row = tuple[Any, ...]


class Reader:
    """All methods raise StoreError when the file cannot be read."""

    def __init__(self, path: Path, connect: Callable[[Path], sqlite3.Connection] = open_for_reading) -> None:
        self.path = path
        self._connection = connect(path)

    def close(self) -> None:
        self._connection.close()

    def read(self, name: str, *values: Any) -> list[Row]:
        try:
            return self._connection.execute(query(name), values).fetchall()
        except sqlite3.Error as error:
            raise store_error(self.path, error) from error
