"""A series: one plan, many sheets, in order."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from soakd.model.base import Value
from soakd.model.entry import Hook
from soakd.model.quantities import DurationS


class Trial(Value):
    """One sheet of a series."""

    sheet: Annotated[str, Field(min_length=1)]
    """A file, as seen from the series file's folder, or a shipped name."""
    at_boot: bool = Field(default=False, alias="at-boot")
    """Its settings need a reboot: it waits for one after the trial before it is done."""
    settle_s: DurationS = Field(default=120.0, alias="settle")
    """At-boot only: how long after the start of the machine."""


class Series(Value):
    """The file."""

    version: Annotated[int, Field(ge=1, le=1)]
    name: Annotated[str, Field(min_length=1, max_length=120)]
    plan: Annotated[str, Field(min_length=1)]
    """A file, as seen from the series file's folder, or a shipped name."""
    stop_at_failure: bool = Field(default=True, alias="stop-at-failure")
    """The first trial that does not pass ends the series."""
    hook: Hook | None = None
    """Brings each sheet into effect before its run and takes it back afterwards."""
    trials: Annotated[tuple[Trial, ...], Field(min_length=1, max_length=500, alias="trial")]
