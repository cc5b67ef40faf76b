"""Is the bench as it is now covered by a pass?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.rules.fingerprint import fingerprint, settings_changed

if TYPE_CHECKING:
    from soakd.model.snapshot import Snapshot
    from soakd.model.verdict import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What the newest pass still means."""

    covered: bool
    run_id: str
    since_utc: str
    differs: tuple[str, ...]
    """Setting by setting, what is not as it was when that run passed."""


def standing(newest_pass: Verdict, now: Snapshot) -> Standing:
    """The newest pass against the bench as the system shows it now, with the sheet that was declared then."""
    covered = fingerprint(newest_pass.sheet, now) == newest_pass.fingerprint
    return Standing(
        covered=covered,
        run_id=newest_pass.run_id,
        since_utc=newest_pass.evidence.finished_utc,
        differs=() if covered else tuple(settings_changed(newest_pass.snapshot_before, now)),
    )
