"""How long the plan loads each core."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.model.pattern import Pattern, cycle_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.model.plan import Stage

_NS = 1e9


def stage_cores(stage: Stage, bench_cores: Sequence[int]) -> tuple[int, ...]:
    return tuple(bench_cores) if stage.cores == "all" else tuple(stage.cores)


def pattern_of(stage: Stage) -> Pattern:
    """The stage's pattern in whole nanoseconds, as the workers get it."""
    period_ns = round((stage.period_s or 0.0) * _NS)
    return Pattern(
        name=stage.pattern,
        dwell_ns=round((stage.dwell_s or 0.0) * _NS),
        period_ns=period_ns,
        on_ns=round(period_ns * (stage.on_percent or 0.0) / 100.0),
        shortest_ns=round((stage.shortest_s or 0.0) * _NS),
        longest_ns=round((stage.longest_s or 0.0) * _NS),
        seed=stage.seed or 0,
    )


def planned_seconds(stage: Stage, bench_cores: Sequence[int]) -> dict[int, float]:
    """Seconds of load per core; what the stage's end cuts off is not counted."""
    cores = stage_cores(stage, bench_cores)
    pattern, duration_ns = pattern_of(stage), round(stage.duration_s * _NS)
    return {core: cycle_of(pattern, worker, len(cores)).load_ns(duration_ns) / _NS for worker, core in enumerate(cores)}
