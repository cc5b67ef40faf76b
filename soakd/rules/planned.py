"""Which operating points a plan visits, and for how long: what the patterns of its stages add up to."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.rules.points import (
    POINT_KINDS,
    Point,
    groups,
    point_of,
    points,
    register_bits,
    widths_told_apart,
)
from soakd.rules.turns import Turns

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from soakd.model.plan import Plan, Stage
    from soakd.model.sheet import Clocks


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """What a plan does with the points of a sheet on a bench."""

    cores: tuple[int, ...]
    """Physical."""
    named: tuple[int, ...]
    """Groups of active cores."""
    widths: tuple[int, ...]
    seconds: Mapping[Point, float]
    """Planned at each point below all steps down; 0 where the plan leaves it out."""
    load_s: float
    """Time under load of any kind, of all stages."""

    @property
    def left_out(self) -> list[Point]:
        return [point for point, load_s in self.seconds.items() if not load_s]

    @property
    def weakest(self) -> Point | None:
        """The point with the least time, of those that the plan visits."""
        visited = {point: load_s for point, load_s in self.seconds.items() if load_s}
        return min(visited, key=visited.__getitem__, default=None)


def surveyed(
    plan: Plan,
    clocks: Clocks,
    *,
    bench_cores: Sequence[int],
    physical: Mapping[int, int],
    class_of: Callable[[Stage], str],
) -> Survey:
    """All points that the sheet makes on this bench, in the widths that it tells apart and those that the plan uses."""
    visits = planned_visits(plan, clocks, bench_cores=bench_cores, physical=physical, class_of=class_of)
    cores = sorted({physical.get(core, core) for core in bench_cores})
    widths = tuple(sorted(widths_told_apart(clocks) | {point.width for point in visits}))
    turns = [Turns(stage, bench_cores, physical).between(0.0, stage.duration_s) for stage in plan.stages]
    return Survey(
        cores=tuple(cores),
        named=groups(clocks, len(cores)),
        widths=widths,
        seconds={
            point: visits.get(point, 0.0) for point in points(clocks, cores=cores, widths=widths) if not point.step
        },
        load_s=sum(seconds for parts in turns for _, seconds in parts),
    )


def planned_visits(
    plan: Plan,
    clocks: Clocks,
    *,
    bench_cores: Sequence[int],
    physical: Mapping[int, int],
    class_of: Callable[[Stage], str],
) -> dict[Point, float]:
    """Seconds of load at each point that the plan visits; a point that it leaves out is absent.

    `physical`: logical core to its physical one; one that it lacks is a core of its own. Threads of one physical core
    are one active core. No step down is taken to be reached, as none can be commanded. `class_of`: the instruction
    class that a stage will run in.
    """
    cores = sorted({physical.get(core, core) for core in bench_cores})
    seconds: defaultdict[Point, float] = defaultdict(float)
    for stage in plan.stages:
        if stage.kind not in POINT_KINDS:
            continue
        width = register_bits(class_of(stage))
        for (core, active), load_s in Turns(stage, bench_cores, physical).planned().items():
            at = point_of(clocks, core=core, active=active, width=width, temperature_c=None, cores=cores)
            seconds[at] += load_s
    return {point: load_s for point, load_s in seconds.items() if load_s > 0.0}
