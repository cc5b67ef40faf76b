"""Evidence, and the verdict that follows from it for exactly one fingerprint."""

from __future__ import annotations

from typing import Literal

from soakd.model.base import Count, Value
from soakd.model.finding import Finding
from soakd.model.journal import Throttles, WorkerTotals
from soakd.model.limits import Bound
from soakd.model.measured import Measured
from soakd.model.plan import Plan
from soakd.model.sheet import Sheet
from soakd.model.snapshot import Snapshot

Outcome = Literal["pass", "fail", "inconclusive"]
VERDICT_VERSION = 1


class ClockSummary(Value):
    """Effective clock that the workers measured on themselves, MHz."""

    minimum_mhz: float
    median_mhz: float
    maximum_mhz: float
    samples: int


class WorkerResult(Value):
    """One worker's share of a stage."""

    totals: WorkerTotals
    planned_s: float
    """Load time that the plan gave this core."""
    checked_percent: float
    """Checked time as a share of planned time, 100 at most. On a real machine that is processor time; in a virtual one
    the time that the host took is not held against it, and is stated."""
    taken_percent: float = 0.0
    """Share of the checked rounds' time in which the core did not run this worker: the host's, or a quota's."""
    clock: ClockSummary | None = None


class Warmth(Value):
    """Checked load by temperature: the highest reading of its role at the time."""

    role: str
    """The processor's; in memory stages the memory's, where it is read."""
    core: int | None = None
    """None: of each core of the stage alike, for they were loaded together."""
    seconds: dict[int, float]
    """Whole °C, rounded down, to seconds of one core."""


class StageResult(Value):
    """What became of one stage."""

    index: int
    name: str
    workload: str
    instruction_class: str
    pattern: str
    planned_s: float
    state: Literal["complete", "stopped", "not started"]
    unit: str
    """What operations count."""
    rounds: int
    operations: Count
    per_second: float
    """Operations per second of load, all workers together."""
    mismatches: int
    checked_percent: float
    """That of the weakest worker."""
    workers: tuple[WorkerResult, ...]
    warmth: tuple[Warmth, ...] = ()
    """Empty where no temperature was read, and in verdicts of before it was kept."""


class ChannelSummary(Value):
    """One channel over the whole run, in the role's unit; None where there never was a reading."""

    name: str
    role: str
    unit: str
    readings: int
    gaps: int
    gap_reasons: dict[str, int]
    """Reason to number of ticks."""
    minimum: float | None = None
    mean: float | None = None
    maximum: float | None = None
    last: float | None = None
    nearest_margin: float | None = None
    """Least distance to any bound of this channel; negative when one was broken."""


class LimitMargin(Value):
    """How near one bound came, in the order of the verdict's bounds; None where nothing was read."""

    nearest: float | None
    """What was held against it at the worst moment."""
    left: float | None
    """What was left then; negative where it was broken."""
    at_s: float | None
    """When that was, seconds since the run started."""


class Coverage(Value):
    """How much of what the plan asked for is really known."""

    floor_percent: float
    checked_percent: float
    """Weakest worker of the weakest stage: checked time over planned time."""
    watched_percent: float | None
    """Weakest watched channel: ticks with a reading over ticks due; None when nothing is watched."""
    weakest_channel: str | None = None


PointState = Literal["covered", "short", "not reached", "faster", "not visited"]


class PointVisit(Value):
    """What became of one operating point. Cores are physical."""

    core: int
    active: int
    """The group of active cores, named by its largest number."""
    width: int
    """Register bits; 64 for scalar work."""
    step: int
    """Step down by temperature, from 1; 0 below them all."""
    from_c: float | None = None
    """Temperature from which the step holds."""
    state: PointState
    planned_s: float = 0.0
    """Load that the plan gives core, group and width, at all temperatures together: a plan cannot command one."""
    dwelt_s: float = 0.0
    """Checked load of integer and vector kernels, which hold a core at one point; of a core with several loaded threads
    their mean."""
    rounds: int = 0
    errors: int = 0
    """Of the same kernels: a wrong result of memory, or between cores, tells nothing of the point."""
    allowed_mhz: float | None = None
    """None where the sheet declares no clock for it."""
    clock: ClockSummary | None = None
    """Of whole MHz."""
    held_s: float = 0.0
    """Part of the dwell whose clock was held against the sheet."""
    below_s: float = 0.0
    """Part of that at less than the allowed clock, by more than the plan's tolerance."""
    above_s: float = 0.0
    """Part of it at more."""
    shown_s: float | None = None
    """The mean time between errors of this core that its dwell here demonstrates at least, at 95 % confidence."""


class Evidence(Value):
    """Everything that a verdict may look at, and nothing else."""

    finished_utc: str
    duration_s: float
    ended_cleanly: bool
    """The guard wrote its last word."""
    load_announced: bool = True
    """At least one stage was about to begin: from then on the machine may go down because of it."""
    same_boot: bool
    reset_by_watchdog: bool | None = None
    """The hardware watchdog says that the boot in which this was judged followed its reset; None where it does not."""
    suspended_s: float
    priority: str | None
    limiter: str | None = None
    """What the limiter watched and how it ran; None where none had begun."""
    watchdog: str | None = None
    """The hardware watchdog that was armed; None where none was."""
    digests: dict[str, str]
    findings: tuple[Finding, ...]
    stages: tuple[StageResult, ...]
    channels: tuple[ChannelSummary, ...]
    limits: tuple[LimitMargin, ...] = ()
    """One for each bound; empty in verdicts of before there were any."""
    coverage: Coverage
    points: tuple[PointVisit, ...] = ()
    """Every operating point that the sheet allows, by core, group, width and step."""
    throttled: Throttles | None = None
    """How often the processor held itself back under load; None where the system does not count it."""
    steal_percent_mean: float | None
    steal_percent_max: float | None
    ticks_due: int
    ticks_lost: int
    late_readings: dict[str, int]
    """Sensor source to points of its grid that it missed."""
    load_gone_s: float | None
    """From the deciding event to the last worker gone, when the load was stopped early."""
    survivors: int
    cooling_s: float | None = None
    """How long the bench was watched after a stop, with the load gone."""
    guard_cpu_percent: float | None
    guard_peak_mib: float | None
    snapshot_after: Snapshot | None
    measured: Measured | None = None
    """What the readings come to; None in verdicts of before it was worked out."""


class Verdict(Value):
    """The outcome, why, and all that it rests on."""

    version: int = VERDICT_VERSION
    run_id: str
    soakd_version: str
    outcome: Outcome
    reasons: tuple[Finding, ...]
    """What decided the outcome, gravest first; empty for a pass."""
    notes: tuple[Finding, ...]
    """What a reader must know to value it, without changing it."""
    fingerprint: str
    drill: bool
    """A deliberate fault was planted: never evidence about the bench."""
    started_utc: str
    plan: Plan
    sheet: Sheet | None
    bounds: tuple[Bound, ...]
    snapshot_before: Snapshot
    evidence: Evidence
