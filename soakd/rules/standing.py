"""Is the bench as it is now covered by a pass?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.rules.fingerprint import fingerprint, settings_changed
from soakd.rules.sheet_diff import differences

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from soakd.model.sheet import Sheet
    from soakd.model.snapshot import Snapshot
    from soakd.model.verdict import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What a pass still means."""

    covered: bool
    run_id: str
    """Of the pass that covers the bench; where none does, of the newest."""
    since_utc: str
    differs: tuple[str, ...]
    """Setting by setting, what is not as it was when that run passed."""


def standing(passes: Sequence[Verdict], now: Snapshot, sheet: Sheet | None = None) -> Standing | None:
    """The bench as the system shows it now against its passes, newest first; None where nothing has passed.

    `sheet`: the settings as they are declared now; without one, those that were declared for each run.
    """
    if not passes:
        return None
    covering = (verdict for verdict in passes if fingerprint(sheet or verdict.sheet, now) == verdict.fingerprint)
    found = next(covering, None)
    seen = found or passes[0]
    return Standing(
        covered=found is not None,
        run_id=seen.run_id,
        since_utc=seen.evidence.finished_utc,
        differs=() if found else tuple(_differs(seen, now, sheet)),
    )


def _differs(verdict: Verdict, now: Snapshot, sheet: Sheet | None) -> Iterator[str]:
    if sheet and not verdict.sheet:
        yield f"sheet: none → {sheet.name}"
    elif sheet and verdict.sheet:
        yield from (f"sheet, {each.line}" for each in differences(verdict.sheet, sheet))
    yield from settings_changed(verdict.snapshot_before, now)
