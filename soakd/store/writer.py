"""The one connection that writes. Statements are named; several together are durable together."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING, Any

from soakd.errors import StoreError
from soakd.store.database import open_for_writing, query, store_error, transaction
from soakd.store.reader import Reader, Row

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

Statement = tuple[str, Row | dict[str, Any]]
"""A named query and its values."""

_MOVES = frozenset({"move_run", "move_entry", "end_entry_run", "set_due", "set_place"})
"""Updates that must find a row in the state which they start from."""


class Writer(Reader):
    """Opened once by whoever holds the bench lock. All methods raise StoreError."""

    def __init__(self, path: Path) -> None:
        super().__init__(path, open_for_writing)

    def write(self, statements: Sequence[Statement]) -> None:
        """All of them or none, durable on return. A move that matches no row undoes everything."""
        try:
            with transaction(self._connection) as connection:
                for name, values in statements:
                    cursor = connection.execute(query(name), values)
                    if name in _MOVES and cursor.rowcount != 1:
                        raise StoreError(f"{name}: not in the state that this step starts from")
        except sqlite3.Error as error:
            raise store_error(self.path, error) from error
