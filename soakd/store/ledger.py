"""Reading the ledger: all verdicts ever. Never writes."""

from __future__ import annotations

from dataclasses import dataclass

from soakd.errors import UsageError
from soakd.model.verdict import Verdict
from soakd.store.reader import Reader

PASSES = 20
"""How far back a pass is looked for that covers the bench as it is now."""


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


class Ledger(Reader):
    """Verdicts in a listing and in full."""

    def newest(self, most: int) -> list[LedgerLine]:
        """The latest verdicts, newest first."""
        names = LedgerLine.__dataclass_fields__
        rows = self.read("list_verdicts", most)
        return [LedgerLine(**{**dict(zip(names, row, strict=True)), "drill": bool(row[-1])}) for row in rows]

    def newest_passes(self) -> list[Verdict]:
        """The latest passing verdicts that are no drills, newest first."""
        return [Verdict.model_validate_json(body, extra="ignore") for (body,) in self.read("newest_passes", PASSES)]

    def body(self, wanted: str) -> str:
        """The whole verdict as JSON, by identifier, its beginning, or `last`. Raises UsageError if that names none."""
        rows = self.read("newest_verdict") if wanted == "last" else self.read("find_verdicts", wanted)
        if not rows:
            raise UsageError(f"no verdict {wanted!r} in {self.path}", hint="`soakd verdict list` shows what there is")
        if len(rows) > 1:
            raise UsageError(f"{wanted!r} is the beginning of several verdicts", hint="give more of the identifier")
        return str(rows[0][1])
