"""The ledger by trials: sorted and filtered without opening any verdict. Never writes."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache

from soakd.model.sheet import Sheet
from soakd.model.trial import Trial
from soakd.store.ledger import LedgerLine
from soakd.store.reader import Reader, Row


@dataclass(frozen=True, slots=True, kw_only=True)
class Sought:
    """Which verdicts are asked for; None and empty ask for all."""

    outcome: str | None = None
    since_utc: str = ""
    until_utc: str = "~"
    """Both sort like time; the tilde comes after every digit."""
    names: tuple[str, ...] | None = None
    """Of sheets."""


class Trials(Reader):
    """All methods raise StoreError when the journal cannot be read."""

    def found(self, sought: Sought) -> list[Trial]:
        """Trials with at least one such verdict, newest first."""
        parents = self.parents()
        return [
            Trial(
                name=name,
                parent=parents.get(name),
                newest_utc=newest_utc,
                passes=passes,
                fails=fails,
                inconclusive=inconclusive,
                drills=drills,
            )
            for name, newest_utc, passes, fails, inconclusive, drills in self.read("trials_found", **_values(sought))
        ]

    def parents(self) -> dict[str, str]:
        """Of each trial that was made from another."""
        return dict(self.read("parents"))

    def one(self, run_id: str) -> LedgerLine | None:
        """The verdict of one run."""
        rows = self.read("verdict_line", run_id)
        return _line(rows[0]) if rows else None

    def lines(self, name: str | None, sought: Sought, most: int, skip: int = 0) -> list[LedgerLine]:
        """Such verdicts of one trial, newest first."""
        values = _values(sought) | {"name": name, "most": most, "skip": skip}
        del values["names"]
        return [_line(row) for row in self.read("verdicts_of_trial", **values)]

    def sheet(self, name: str) -> Sheet | None:
        """The newest of that name; None where there is none."""
        rows = self.read("sheet_of_trial", name)
        return _sheet(rows[0][0]) if rows else None

    def sheets(self) -> dict[str, Sheet]:
        """Every sheet by name, the newest of each."""
        return {name: _sheet(text) for name, text in self.read("sheets_of_trials")}


@lru_cache(maxsize=1024)
def _sheet(text: str) -> Sheet:
    return Sheet.model_validate_json(text, extra="ignore")


def _values(sought: Sought) -> dict[str, object]:
    names = None if sought.names is None else json.dumps(sought.names)
    return {"outcome": sought.outcome, "since": sought.since_utc, "until": sought.until_utc, "names": names}


def _line(row: Row) -> LedgerLine:
    *texts, drill, signed = row
    values = dict(zip(LedgerLine.__dataclass_fields__, texts, strict=False))
    return LedgerLine(**values, drill=bool(drill), signed=bool(signed))
