"""What happens in a run, as it is told by the guard's process and kept in the journal."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, TypeAdapter

from soakd.model.base import Count, Value
from soakd.model.finding import Finding


class WorkerTotals(Value):
    """What one worker has done in one stage so far; only whole, checked rounds count."""

    core: int
    rounds: int = 0
    operations: Count = 0
    """In the workload's unit, all of them vouched for by a check."""
    mismatches: int = 0
    sweeps: int = 0
    """Complete passes of a memory test over the whole share."""
    work_s: float = 0.0
    check_s: float = 0.0
    checked_s: float = 0.0
    """Time of checked rounds, less what other work on this system took of it."""
    core_s: float = 0.0
    """Processor time of the same rounds: less, in a virtual machine, what the host took."""
    until_s: float = 0.0
    """Moment of the stage, counted from the start of its load, at which the last of these rounds was checked."""
    note: str = ""


class Throttles(Value):
    """How often the processor has held itself back, by logical core; the package's own count is in each of its cores'.

    Counted since the last boot: only differences mean something.
    """

    heat: dict[int, int] = Field(default_factory=dict)
    power: dict[int, int] = Field(default_factory=dict)


class Watched(Value):
    """Who watches the guard from now on."""

    kind: Literal["watched"] = "watched"
    at_s: float
    limiter: str
    """What it watches and how it runs, in words."""
    watchdog: str | None = None
    """The hardware watchdog that was armed, in words."""


class Prepared(Value):
    """The kernels are built and gave their known answers; nothing is loaded yet."""

    kind: Literal["prepared"] = "prepared"
    at_s: float
    crew_pid: int
    priority: str
    """Scheduling that the guard really got, in words."""
    digests: dict[str, str]
    """Kernel to SHA-256 of its object code."""


class StageAnnounced(Value):
    """About to load the bench; durable before the load starts, because the bench may die of it."""

    kind: Literal["stage-announced"] = "stage-announced"
    at_s: float
    stage: int
    throttles: Throttles | None = None


class StageStarted(Value):
    """All workers are pinned and ready, and have been let go."""

    kind: Literal["stage-started"] = "stage-started"
    at_s: float
    stage: int
    pids: dict[int, int]
    """Logical core to process."""


class Tick(Value):
    """Readings and progress at one point of the sampling grid."""

    kind: Literal["tick"] = "tick"
    at_s: float
    number: int
    stage: int | None
    late_s: float
    values: dict[str, float]
    gaps: dict[str, str]
    workers: tuple[WorkerTotals, ...] = ()


class Found(Value):
    """The guard found something; `stops` says whether the load was stopped for it."""

    kind: Literal["found"] = "found"
    at_s: float
    finding: Finding
    stops: bool


class StageEnded(Value):
    """The stage's last totals. Not complete when it was stopped."""

    kind: Literal["stage-ended"] = "stage-ended"
    at_s: float
    stage: int
    complete: bool
    workers: tuple[WorkerTotals, ...]
    throttles: Throttles | None = None


class LoadStopped(Value):
    """The load was taken away before its time."""

    kind: Literal["load-stopped"] = "load-stopped"
    at_s: float
    gone_s: float
    """From the event that decided it to the last worker seen gone."""
    survivors: int
    """Workers not seen gone within the deadline; anything but 0 is an alarm."""


class Cooling(Value):
    """After a stop: what the temperatures that are watched read, now that the load is gone."""

    kind: Literal["cooling"] = "cooling"
    at_s: float
    values: dict[str, float]


class RunEnded(Value):
    """The guard's last word: the clean-stop mark."""

    kind: Literal["run-ended"] = "run-ended"
    at_s: float
    ticks_due: int
    ticks_lost: int
    late_readings: dict[str, int]
    """Sensor source to points of its grid that it missed, because reading took too long."""
    guard_cpu_s: float
    guard_peak_mib: float


Event = Annotated[
    Watched | Prepared | StageAnnounced | StageStarted | Tick | Found | StageEnded | LoadStopped | Cooling | RunEnded,
    Field(discriminator="kind"),
]
EVENT: TypeAdapter[Event] = TypeAdapter(Event)
