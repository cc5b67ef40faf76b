"""How fast a kernel was measured to run."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class CoreSpeed:
    """One core's part of a measurement."""

    core: int
    best_per_second: float
    """Operations per second of work, the ninth decile of the rounds."""
    median_per_second: float
    per_cycle: float | None
    """Operations per cycle that this core spent on it, the ninth decile; None where the probe is not known to hold."""
    clock_mhz: float | None
    check_share: float
    faults: int
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Throughput:
    """One kernel in one class."""

    workload: str
    instruction_class: str
    unit: str
    one: CoreSpeed
    """The first core, the others at rest."""
    every: tuple[CoreSpeed, ...]
    """All cores at once."""
    limit_per_cycle: float | None
    """Operations per cycle that the core's pipes allow, where they are known."""
    times_copy: float | None = None
    """Memory: bytes per second over those of numpy.copyto on the same core in the same run."""
    times_copy_every: float | None = None
    """The same with all cores at once on both sides."""

    @property
    def limit_share(self) -> float | None:
        if self.limit_per_cycle is None or self.one.per_cycle is None:
            return None
        return self.one.per_cycle / self.limit_per_cycle
