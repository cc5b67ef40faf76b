"""The ledger as a person is shown it: trials as a tree, what each changed, what came of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from soakd.rules.sheet_diff import differences
from soakd.rules.sheet_fields import fields, said

if TYPE_CHECKING:
    from soakd.model.sheet import Sheet
    from soakd.model.trial import Trial
    from soakd.rules.lineage import Branch

DEEPEST: Final = 6
"""Steps that a trial is moved in at most."""
_CHANGES: Final = 4
"""Settings that are told at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialView:
    """One trial."""

    name: str | None
    title: str
    depth: int
    origin: str
    """What it was made from, in words; empty where nothing is known of that."""
    changes: tuple[str, ...]
    more: tuple[str, ...]
    """The rest of what it changed."""
    counts: str
    verdicts: int


def trial_view(branch: Branch, sheet: Sheet | None, parent: Sheet | None) -> TrialView:
    """`parent`: the sheet that it was made from, if that was ever soaked."""
    trial = branch.trial
    changes = changed(sheet, parent) if sheet is not None and parent is not None else []
    return TrialView(
        name=trial.name,
        title="without a sheet" if trial.name is None else trial.name,
        depth=min(branch.depth, DEEPEST),
        origin=_origin(trial, sheet, parent),
        changes=tuple(changes[:_CHANGES]),
        more=tuple(changes[_CHANGES:]),
        counts=_counts(trial),
        verdicts=trial.verdicts,
    )


def changed(sheet: Sheet, parent: Sheet) -> list[str]:
    """Setting by setting, what is not as in the trial that it was made from; but for the name."""
    return [each.line for each in differences(parent, sheet) if each.place != "name"]


def mentions(sheet: Sheet, parent: Sheet | None, text: str) -> bool:
    """Whether a setting that it changed, by key or value, holds the text; any that it declares, where it changed none
    that is known.
    """
    lines = [f"{key} {said(leaf)}" for key, leaf in fields(sheet).items()] if parent is None else changed(sheet, parent)
    return any(text.casefold() in line.casefold() for line in lines)


def _origin(trial: Trial, sheet: Sheet | None, parent: Sheet | None) -> str:
    if trial.parent is None or sheet is None:
        return ""
    if parent is None:
        return f"made from “{trial.parent}”, which was never soaked here"
    return f"made from “{trial.parent}”" + ("" if changed(sheet, parent) else ": no setting is declared otherwise")


def _counts(trial: Trial) -> str:
    kinds = (
        (trial.passes, "pass", "passes"),
        (trial.fails, "fail", "fails"),
        (trial.inconclusive, "inconclusive", "inconclusive"),
        (trial.drills, "drill", "drills"),
    )
    return ", ".join(f"{count} {one if count == 1 else more}" for count, one, more in kinds if count)
