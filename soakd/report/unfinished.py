"""The report of a run that goes on: the same view, saying of nothing that it is decided before it is."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from soakd import units

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime, tzinfo

    from soakd.model.run import RunRecord
    from soakd.model.verdict import Evidence, Verdict
    from soakd.report.view import VerdictView

WORDS: Final = {"fail": "fail", "inconclusive": "so far", "pass": "so far"}
SAYING: Final = "Nothing is wrong so far. What is proven is only known when the run has ended and is judged."
MISSING: Final = "Something is missing already, so that this can be no pass: see the reasons."
FAILED: Final = "Something went wrong that must not: see the reasons. No error heals, so the verdict will be a fail."
_STATES: Final = {"stopped": "goes on", "not started": "to come"}


def unfinished(shown: VerdictView, verdict: Verdict) -> VerdictView:
    """What a finished run's view would say of stages and coverage as if they were over is put right."""
    saying = FAILED if verdict.outcome == "fail" else MISSING if verdict.reasons else SAYING
    begun = [number for number, stage in enumerate(verdict.evidence.stages) if stage.state != "not started"]
    stages = tuple(
        replace(row, state=_STATES.get(row.state, row.state)) if number >= max(begun, default=0) else row
        for number, row in enumerate(shown.stages)
    )
    return replace(shown, saying=saying, scope="", stages=stages, coverage=tuple(_coverage(shown)))


def untimed(evidence: Evidence) -> Evidence:
    """Without speeds and energies for each operation: the journal of a run that goes on tells no tick's operations."""
    if evidence.measured is None:
        return evidence
    stages = tuple(each.model_copy(update={"rate": None, "energy_j": None}) for each in evidence.measured.stages)
    return evidence.model_copy(update={"measured": evidence.measured.model_copy(update={"stages": stages})})


def so_far_text(record: RunRecord, until: datetime, zone: tzinfo, remaining_s: float | None) -> str:
    """What stands above everything else. `remaining_s`: of the load; None once it was stopped."""
    known = f"This is what the journal holds until {until.astimezone(zone):%Y-%m-%d %H:%M:%S %Z}"
    if remaining_s is None:
        return f"So far: the load was stopped, and the verdict follows. {known}."
    ahead = f"{units.duration_text(remaining_s)} of {units.duration_text(record.plan.duration_s)} of load are to come"
    return f"So far: the run goes on. {known}; {ahead}. Load the page again for more."


def _coverage(shown: VerdictView) -> Iterator[tuple[str, str]]:
    for key, value in shown.coverage:
        yield key, "told when the run has ended" if key == "checked" else value
