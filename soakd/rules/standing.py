"""Is the bench as it is now covered by a pass?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.rules.fingerprint import fingerprint, settings_changed
from soakd.rules.reached import covered_text
from soakd.rules.sheet_diff import differences

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from soakd.model.sheet import Sheet
    from soakd.model.snapshot import Snapshot
    from soakd.model.verdict import Verdict


_OTHER_FORM = "only the way in which this version of soakd keeps settings; run it again"


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What a pass still means."""

    covered: bool
    failed: bool
    """These settings passed once and have failed since."""
    run_id: str
    """Of the pass that covers the bench, or of that fail; else of the pass from which least differs."""
    since_utc: str
    scope: str
    """How many of the operating points that pass speaks of."""
    differs: tuple[str, ...]
    """Setting by setting, what is not as it was when that run passed; or why it failed."""

    @property
    def line(self) -> str:
        """All but scope and differences."""
        when, run = f"{self.since_utc[:16]}Z", f"run {self.run_id}"
        if self.covered:
            return f"covered by the pass of {when}, {run}"
        if self.failed:
            return f"not covered; these settings failed since: {when}, {run}; why:"
        return f"not covered; nearest pass: {when}, {run}; what differs:"


def standing(passed: Sequence[Verdict], now: Snapshot, sheet: Sheet | None = None) -> Standing | None:
    """The bench as the system shows it now against what has passed on it; None where nothing has.

    `passed`: of each fingerprint that has passed the newest pass or fail, newest first. `sheet`: the settings as they
    are declared now; without one, those that were declared for each run.
    """
    own = [verdict for verdict in passed if fingerprint(sheet or verdict.sheet, now) == verdict.fingerprint]
    if own:
        verdict = next((each for each in own if each.outcome == "pass"), own[0])
        covered = verdict.outcome == "pass"
        return _standing(verdict, () if covered else (_why(verdict),), covered=covered, failed=not covered)
    told = [(verdict, tuple(_differs(verdict, now, sheet)) or (_OTHER_FORM,)) for verdict in passed]
    return _standing(*min(told, key=lambda each: len(each[1]))) if told else None


def _standing(verdict: Verdict, differs: tuple[str, ...], *, covered: bool = False, failed: bool = False) -> Standing:
    return Standing(
        covered=covered,
        failed=failed,
        run_id=verdict.run_id,
        since_utc=verdict.evidence.finished_utc,
        scope=covered_text(verdict.evidence.points),
        differs=differs,
    )


def _why(verdict: Verdict) -> str:
    """The gravest reason of a fail."""
    return f"{verdict.reasons[0].rule}: {verdict.reasons[0].text}" if verdict.reasons else "no reason was kept"


def _differs(verdict: Verdict, now: Snapshot, sheet: Sheet | None) -> Iterator[str]:
    if verdict.outcome == "fail":
        yield f"failed since: {_why(verdict)}"
    if sheet and not verdict.sheet:
        yield f"sheet: none → {sheet.name}"
    elif sheet and verdict.sheet:
        yield from (f"sheet, {each.line}" for each in differences(verdict.sheet, sheet))
    yield from settings_changed(verdict.snapshot_before, now)
