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
    signed: bool


class Ledger(Reader):
    """Verdicts in a listing and in full."""

    def newest(self, most: int) -> list[LedgerLine]:
        """The latest verdicts, newest first."""
        signed = {run for (run,) in self.read("signed_verdicts", most)} if Chain(self).exists() else set()
        return [
            LedgerLine(
                run_id=run_id,
                finished_utc=finished_utc,
                plan=plan,
                sheet=sheet,
                outcome=outcome,
                reason=reason,
                fingerprint=fingerprint,
                drill=bool(drill),
                signed=run_id in signed,
            )
            for run_id, finished_utc, plan, sheet, outcome, reason, fingerprint, drill in self.read(
                "list_verdicts", most
            )
        ]

    def newest_of_passed(self) -> list[Verdict]:
        """Of each of the latest fingerprints that have passed the newest pass or fail, newest first; no drills."""
        return [verdict_in(body) for (body,) in self.read("newest_of_passed", PASSED)]

    def body(self, wanted: str) -> str:
        """The whole verdict as JSON, by identifier, its beginning, or `last`. Raises UsageError if that names none."""
        return self._found(wanted)[1]

    def run_id(self, wanted: str) -> str:
        """In full. Raises UsageError, too."""
        return self._found(wanted)[0]

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
            self._refuse_taken_out(wanted)
            raise UsageError(f"no verdict {wanted!r} in {self.path}", hint="`soakd verdict list` shows what there is")
        if len(rows) > 1:
            raise UsageError(f"{wanted!r} is the beginning of several verdicts", hint="give more of the identifier")
        return str(rows[0][0]), str(rows[0][1])

    def _refuse_taken_out(self, wanted: str) -> None:
        """Raises StoreError where a finished run of that name is here and its verdict is not."""
        missing = Chain(self).outside()[1] if Chain(self).exists() else []
        run_id = next((run for run in missing if run.startswith(wanted)), None)
        if run_id is not None:
            raise StoreError(
                f"verdict {run_id} was taken out of the ledger: its run is finished and still here",
                hint="`soakd verdict verify --all` shows whatever is missing or changed",
            )


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
