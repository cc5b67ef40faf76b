"""What the drills showed: each alarm that was provoked on purpose, and whether it was noticed. Never evidence."""

from __future__ import annotations

from typing import Literal

from soakd.model.base import Value
from soakd.model.verdict import Outcome

Reality = Literal["real", "made sensors", "virtual bench"]
"""real: processes, signals and files of this machine. made sensors: the same, in a mount namespace with a made tree
that the run reads as the kernel's. virtual bench: the same rules on a bench of numbers."""
Caught = Literal["caught", "missed", "not shown"]
"""caught: the expected rule ended the run or stands in the verdict, the outcome is the expected one, and nothing of the
load is left. missed: anything else. not shown: it could not be done on this machine."""
Until = Literal["load gone", "finding", "verdict"]
"""What a latency ends with."""
DRILL_VERSION = 1


class DrillResult(Value):
    """One drill."""

    name: str
    injected: str
    """What was done, in words."""
    reality: Reality
    state: Caught
    expected: str
    """Who was to notice it, by which rule, and the outcome: "limiter: limiter, inconclusive"."""
    noticed_by: str | None = None
    rule: str | None = None
    """Of the finding that told of it; where it was missed, of whatever was found instead."""
    outcome: Outcome | None = None
    latency_s: float | None = None
    """From the injection; of a flipped bit from the round on that it was planted in."""
    until: Until = "load gone"
    why: str = ""
    """Why it was not real, why it could not be shown, or what was seen instead."""


class DrillReport(Value):
    """All drills of one call, in their order."""

    version: int = DRILL_VERSION
    finished_utc: str
    soakd_version: str
    kernel: str
    """Release of the kernel, as uname(2) names it."""
    boot_id: str
    took_s: float
    results: tuple[DrillResult, ...]

    def of(self, state: Caught) -> tuple[DrillResult, ...]:
        return tuple(result for result in self.results if result.state == state)


class DrillCall(Value):
    """One call of drills that the daemon does, or did last."""

    begun_utc: str
    names: tuple[str, ...]
    """What was asked for, in order."""
    doing: str | None = None
    """The one that is waited for."""
    results: tuple[DrillResult, ...] = ()
    """So far; once there is a report, they stand in it alone."""
    report: DrillReport | None = None
    """Once all are done."""
    trouble: str = ""
    """Why it ended before that."""

    @property
    def on(self) -> bool:
        return self.report is None and not self.trouble

    @property
    def shown(self) -> tuple[DrillResult, ...]:
        return self.results if self.report is None else self.report.results


class Drills(Value):
    """What is known of this bench's alarms."""

    call: DrillCall | None = None
    """The one that is on, or the last one since the daemon was started."""
    whole: DrillReport | None = None
    """The last report of a whole round, whoever did it."""
