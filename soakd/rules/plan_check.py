"""Does the plan fit this bench? Asked before anything starts; each line names what would be right."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.rules.expected import stage_cores

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from soakd.model.plan import Plan

_ENOUGH_TO_EXCHANGE = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfit:
    """A value of the plan that this bench cannot honour."""

    stage: int
    key: str
    value: str
    wanted: str


def misfits(plan: Plan, *, bench_cores: Sequence[int], classes: Mapping[str, Sequence[str]]) -> Iterator[Misfit]:
    """Every part that does not fit.

    `classes`: workload to the instruction classes that this core has for it, narrowest first.
    """
    known = ", ".join(str(core) for core in bench_cores)
    for number, stage in enumerate(plan.stages):
        cores = stage_cores(stage, bench_cores)
        for core in cores:
            if core not in bench_cores:
                wanted = f"no such core may be used here; cores: {known}"
                yield Misfit(stage=number, key="cores", value=str(core), wanted=wanted)
        if stage.kind == "exchange" and len(cores) < _ENOUGH_TO_EXCHANGE:
            wanted = "one core has nobody to exchange with; give it two or more"
            yield Misfit(stage=number, key="cores", value=", ".join(map(str, cores)), wanted=wanted)
        has = classes[stage.kernel]
        if not has:
            wanted = f"this core cannot run {stage.workload} in any class"
            yield Misfit(stage=number, key="workload", value=stage.workload, wanted=wanted)
        elif stage.instruction_class not in {"widest", *has}:
            wanted = f"this core cannot run {stage.workload} in that class; it can: {', '.join(('widest', *has))}"
            yield Misfit(stage=number, key="class", value=stage.instruction_class, wanted=wanted)
        turn_s = stage.duration_s / len(cores)
        if stage.dwell_s is not None and stage.dwell_s > turn_s:
            wanted = f"too long for every core to have its turn; at most {turn_s:g} s in this stage"
            yield Misfit(stage=number, key="dwell", value=f"{stage.dwell_s:g} s", wanted=wanted)
