"""Reading the ledger: all verdicts ever. Never writes."""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import ValidationError

from soakd.errors import StoreError, UsageError
from soakd.model.verdict import Verdict
from soakd.store.chain import Chain, Link
from soakd.store.reader import Reader

PASSED = 20
"""Among how many fingerprints a pass is looked for that covers the bench as it is now."""


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

    def newest_of_passed(self) -> list[Verdict]:
        """Of each of the latest fingerprints that have passed the newest pass or fail, newest first; no drills."""
        return [verdict_in(body) for (body,) in self.read("newest_of_passed", PASSED)]

    def body(self, wanted: str) -> str:
        """The whole verdict as JSON, by identifier, its beginning, or `last`. Raises UsageError if that names none."""
        return self._found(wanted)[1]

    def link(self, wanted: str) -> Link:
        """Its place in the chain, with its signature. Raises UsageError, too, where it has none."""
        self.require_chain()
        run_id, _ = self._found(wanted)
        link = Chain(self).link(run_id)
        if link is None:
            raise UsageError(f"verdict {run_id} has no place in the chain", hint="`soakd verdict verify --all`")
        return link

    def envelope(self, wanted: str) -> str:
        """What was signed, without its line feed. Raises UsageError, too, for a verdict that is unsigned."""
        link = self.link(wanted)
        if link.envelope is None:
            raise UsageError(f"verdict {link.run_id} is unsigned: {link.unsigned}", hint="`soakd verdict show --json`")
        return link.envelope

    def require_chain(self) -> None:
        """Raises UsageError for a journal that was last written before verdicts were signed."""
        if not Chain(self).exists():
            raise UsageError("no verdict here has been signed yet", hint="the next run brings this journal up to date")

    def _found(self, wanted: str) -> tuple[str, str]:
        rows = self.read("newest_verdict") if wanted == "last" else self.read("find_verdicts", wanted)
        if not rows:
            raise UsageError(f"no verdict {wanted!r} in {self.path}", hint="`soakd verdict list` shows what there is")
        if len(rows) > 1:
            raise UsageError(f"{wanted!r} is the beginning of several verdicts", hint="give more of the identifier")
        return str(rows[0][0]), str(rows[0][1])


def verdict_in(body: str) -> Verdict:
    """The verdict that was stored, by whichever version. Raises StoreError for a form that this one cannot read."""
    try:
        return Verdict.model_validate_json(body, extra="ignore")
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        raise StoreError(
            f"the ledger holds a verdict that this soakd cannot read: {where}: {first['msg'].lower()}",
            hint="`soakd verdict show RUN --json` shows it as it is; a newer soakd may have written it",
        ) from None
