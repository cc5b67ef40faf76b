"""From a series file to the requests that it stands for. Every file it names is read and checked first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.config.files import load, load_plan, load_sheet
from soakd.config.shipped import find
from soakd.model.entry import EntryAsk
from soakd.model.series import Series

if TYPE_CHECKING:
    from pathlib import Path


def load_series(path: Path) -> list[EntryAsk]:
    """One request per trial, in order; `after` is left for whoever adds them, since identifiers come with adding.

    Raises ConfigError for the series file, its plan, or any of its sheets.
    """
    series = load(path, Series)
    plan = load_plan(_beside(path, series.plan, "plans"))
    return [
        EntryAsk.model_validate(
            {
                "plan": plan,
                "sheet": load_sheet(_beside(path, trial.sheet, "sheets")),
                "at-boot": trial.at_boot,
                "settle": trial.settle_s,
                "series": series.name,
                "stop-series": series.stop_at_failure,
                "after-any": not series.stop_at_failure,
                "hook": series.hook,
            }
        )
        for trial in series.trials
    ]


def _beside(path: Path, name: str, folder: str) -> Path:
    """A file as seen from the series file's folder; else one that travels with soakd."""
    near = path.parent / name
    return near if near.exists() else find(name, folder)
