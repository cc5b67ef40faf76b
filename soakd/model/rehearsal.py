"""What a rehearsal shows: a plan's course on the virtual bench. Never evidence, and never kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.model.limits import Bound
    from soakd.model.verdict import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """One channel while one stage was loaded, in the channel's unit; None where it said nothing."""

    begin: float | None
    end: float | None
    peak: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedStage:
    """One stage that began."""

    index: int
    begin_s: float
    end_s: float
    complete: bool
    courses: dict[str, Course]
    """By channel; of every temperature and power."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """What was held against a bound over the whole run, in equal parts of its time; in the bound's `watched_unit`."""

    bound: Bound
    worst: Sequence[float | None]
    """Of each part what came nearest to the bound; None where there was nothing to measure."""
    farthest: float | None
    """Of all; so is the next."""
    nearest: float | None
    nearest_s: float | None
    """When that was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsal:
    """A plan's course on a virtual bench."""

    bench: str
    seed: int
    ended_s: float
    """From the run's start, kernels built and workers started in between."""
    down: str | None
    """Why the machine was gone before the end; None where it was not."""
    verdict: Verdict
    """What the rules would make of it: no verdict on anything that exists."""
    stages: tuple[RehearsedStage, ...]
    strips: tuple[Strip, ...]
    hottest_true_c: float
    """The hottest that any core really was, whatever sensors said."""

    @property
    def complete(self) -> bool:
        """Every stage ran to its end."""
        return self.down is None and len(self.stages) == len(self.verdict.plan.stages) and self.stages[-1].complete
