"""What the daemon says of itself, at every change and at least once a second: the one object that a watcher needs."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, JsonValue

from soakd.model.base import Value

Count = Annotated[int, Field(ge=0)]


class Nearest(Value):
    """The limit that has the least left at the moment, as a share of itself."""

    channel: str
    """With what is taken away from it, where a difference is limited."""
    reading: float
    """What is held against the limit: a reading, a difference, a rise, a count within an hour, a share of the stage."""
    unit: str
    bound: float
    """The nearest value that would break it."""
    side: Literal["above", "below"]
    """On which side of that it is broken."""
    margin: float
    """What is left until then, in the unit; K where that is °C."""
    limit: str = ""
    """What it does and when, in words: stops above 90 °C."""


class RunStatus(Value):
    """The run that goes on."""

    run_id: str
    entry_id: str | None = None
    """The entry that it is for."""
    plan: str
    sheet: str | None = None
    stage: Annotated[int, Field(ge=1)] | None = None
    """Counted from one; None before the first, between two and after the last."""
    stages: Annotated[int, Field(ge=1)]
    stage_name: str | None = None
    elapsed_s: float
    """Load time so far, within the plan."""
    remaining_s: float
    """Load time left, within the plan."""
    rounds: Count
    """Whole rounds that were checked."""
    mismatches: Count
    """Wrong results."""
    nearest: Nearest | None = None
    cooling: dict[str, float] | None = None
    """After a stop, with the load gone: what the temperatures read that are watched until the bench has cooled."""
    findings: tuple[str, ...] = ()
    """What the guard found so far, oldest first."""


class DrillStatus(Value):
    """The drills that are being done."""

    done: Count
    of: Count
    doing: str | None = None
    """The one that is waited for."""
    missed: Count = 0


class QueueCounts(Value):
    """Entries by where they are."""

    waiting: Count = 0
    held: Count = 0
    running: Count = 0


class NextStart(Value):
    """What starts next if nothing comes in between."""

    entry_id: str
    plan: str
    due_utc: str | None = None


class Status(Value):
    """The daemon at one moment."""

    soakd_version: str
    now_utc: str
    boot_id: str
    run: RunStatus | None = None
    """None while no soak is on."""
    drill: DrillStatus | None = None
    """None while no drill is on; nothing else starts while one is."""
    queue: QueueCounts = QueueCounts()
    next: NextStart | None = None
    standing: dict[str, JsonValue] | None = None
    """Whether the bench as it is now is covered by a passing verdict; None when that is not known."""
