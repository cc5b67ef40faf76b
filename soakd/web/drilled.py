"""What `soakd drill` has left in the state folder."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pydantic import ValidationError

from soakd.model.drill import DrillReport

if TYPE_CHECKING:
    from pathlib import Path

DRILLS_NAME: Final = "drill.json"


def whole_round(home: Path) -> DrillReport | None:
    """The report of the last whole round of drills; None where there is none that can be read."""
    try:
        return DrillReport.model_validate_json((home / DRILLS_NAME).read_bytes(), extra="ignore")
    except (OSError, ValidationError):
        return None
