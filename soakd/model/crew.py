"""What the crew tells the guard, in the order in which it can happen, and what the guard sees when it looks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from soakd.model.journal import WorkerTotals


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewPrepared:
    """All kernels of the plan are built and gave their known answers."""

    digests: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewRefused:
    """A kernel could not be built or computed wrongly, or a worker could not get what it needs."""

    reason: str
    wrong: bool = False
    """A kernel gave a wrong answer when it was tried at rest, before any load."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkerReady:
    """Pinned, memory in hand, waiting for the start."""

    core: int
    pid: int
    note: str
    """How it runs, for the verdict; may be empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkerWrong:
    """A result differed from its closed form."""

    core: int
    round: int
    where: str
    expected: int
    actual: int


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkerExited:
    """A worker process is gone: code as exit status, or negative signal number as subprocess has it."""

    core: int
    pid: int
    code: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewLost:
    """The crew cannot be heard any more: its parent process is gone, and with it every worker."""


CrewEvent = CrewPrepared | CrewRefused | WorkerReady | WorkerWrong | WorkerExited | CrewLost


class WorkerLook(Protocol):
    """One worker's progress at one moment."""

    @property
    def state(self) -> str:
        """starting, ready, working, resting or done."""

    @property
    def beats(self) -> int:
        """Changes whenever the worker is alive and getting somewhere."""

    @property
    def clock_mhz(self) -> float:
        """The clock it last measured on itself; 0 before the first time."""

    @property
    def totals(self) -> WorkerTotals: ...
