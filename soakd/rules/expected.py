"""How long the plan loads each core."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.model.plan import Stage


def stage_cores(stage: Stage, bench_cores: Sequence[int]) -> tuple[int, ...]:
    return tuple(bench_cores) if stage.cores == "all" else tuple(stage.cores)


def planned_seconds(stage: Stage, bench_cores: Sequence[int]) -> dict[int, float]:
    """Seconds of load per core. Walking: whole dwells in turn, the last one cut at the stage's end."""
    cores = stage_cores(stage, bench_cores)
    if stage.dwell_s is None:
        return dict.fromkeys(cores, stage.duration_s)
    planned = dict.fromkeys(cores, 0.0)
    start = 0.0
    turn = 0
    while start < stage.duration_s:
        planned[cores[turn % len(cores)]] += min(stage.dwell_s, stage.duration_s - start)
        start += stage.dwell_s
        turn += 1
    return planned
