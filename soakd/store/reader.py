"""A connection that cannot write, and the named queries over it."""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any

from soakd.store.database import open_for_reading, query, store_error

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

Row = tuple[Any, ...]


class Reader:
    """All methods raise StoreError when the file cannot be read."""

    def __init__(self, path: Path, connect: Callable[[Path], sqlite3.Connection] = open_for_reading) -> None:
        self.path = path
        self._connection = connect(path)

    def close(self) -> None:
        self._connection.close()

    @contextmanager
    def at_one_moment(self) -> Iterator[None]:
        """What is read within sees the file as it was at the first of it, whatever is written meanwhile."""
        try:
            self._connection.execute("BEGIN")
            yield
        except sqlite3.Error as error:
            raise store_error(self.path, error) from error
        finally:
            with suppress(sqlite3.Error):
                self._connection.execute("COMMIT")

    def read(self, name: str, /, *values: Any, **named: Any) -> list[Row]:
        """All rows. A query has its values by place or by name."""
        try:
            return self._connection.execute(query(name), named or values).fetchall()
        except sqlite3.Error as error:
            raise store_error(self.path, error) from error
