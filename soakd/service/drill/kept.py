"""The last report of a whole round of drills: one file of the state folder, written whole."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import ValidationError

from soakd.errors import StoreError
from soakd.model.drill import DrillReport
from soakd.service.drill.catalogue import drills
from soakd.service.home import put_whole

if TYPE_CHECKING:
    from soakd.service.home import Home


def is_whole(report: DrillReport) -> bool:
    """Every drill that there is was tried."""
    return {drill.name for drill in drills()} <= {result.name for result in report.results}


def keep(report: DrillReport, home: Home) -> None:
    """A report of some drills only is not kept. Raises StoreError."""
    if not is_whole(report):
        return
    try:
        put_whole(home.drills, report.model_dump_json(indent=2) + "\n")
    except OSError as error:
        raise StoreError(f"{home.drills}: {error.strerror}") from error


def last_report(home: Home) -> DrillReport | None:
    """None where there is none that can be read."""
    try:
        return DrillReport.model_validate_json(home.drills.read_bytes(), extra="ignore")
    except (OSError, ValidationError):
        return None
