"""Reading the ledger: all verdicts ever. Never writes."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from soakd.errors import UsageError
from soakd.store.database import open_for_reading, query, store_error

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerLine:
    """One verdict in a listing."""

    run_id: str
    finished_utc: str
    plan: str
    sheet: str | None
    outcome: str
    reason: str | None
    fingerprint: str
    drill: bool


class Ledger:
    """A read-only view; all methods raise StoreError when the file cannot be read."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._connection = open_for_reading(path)

    def close(self) -> None:
        self._connection.close()

    def newest(self, most: int) -> list[LedgerLine]:
        """The latest verdicts, newest first."""
        names = LedgerLine.__dataclass_fields__
        rows = self._rows("list_verdicts", most)
        return [LedgerLine(**{**dict(zip(names, row, strict=True)), "drill": bool(row[-1])}) for row in rows]

    def body(self, wanted: str) -> str:
        """The whole verdict as JSON, by identifier, its beginning, or `last`. Raises UsageError if that names none."""
        rows = self._rows("newest_verdict") if wanted == "last" else self._rows("find_verdicts", wanted)
        if not rows:
            raise UsageError(f"no verdict {wanted!r} in {self.path}", hint="`soakd verdict list` shows what there is")
        if len(rows) > 1:
            raise UsageError(f"{wanted!r} is the beginning of several verdicts", hint="give more of the identifier")
        return str(rows[0][1])

    def _rows(self, name: str, *values: Any) -> list[tuple[Any, ...]]:
        try:
            return self._connection.execute(query(name), values).fetchall()
        except sqlite3.Error as error:
            raise store_error(self.path, error) from error
