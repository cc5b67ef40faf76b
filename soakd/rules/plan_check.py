"""Does the plan fit this bench? Asked before anything starts; each line names what would be right."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING

from soakd.rules.expected import pattern_of, stage_cores

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from soakd.model.plan import Plan, Stage

_ENOUGH_TO_EXCHANGE = 2
_LARGE = "vector/large"


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfit:
    """A value of the plan that this bench cannot honour."""

    stage: int
    key: str
    value: str
    wanted: str


def misfits(
    plan: Plan,
    *,
    bench_cores: Sequence[int],
    classes: Mapping[str, Sequence[str]],
    least_memory_percent: float = 0.0,
) -> Iterator[Misfit]:
    """Every part that does not fit.

    `classes`: kernel to the instruction classes that this core has for it, narrowest first. `least_memory_percent`: of
    the memory that is available; for less of it the caches could answer.
    """
    for number, stage in enumerate(plan.stages):
        yield from _cores_fit(number, stage, bench_cores)
        if stage.memory_percent is not None and stage.memory_percent < least_memory_percent:
            least = ceil(10.0 * least_memory_percent) / 10.0
            wanted = f"for so little the caches could answer; at least {least:g} % of what is available here"
            yield Misfit(stage=number, key="memory", value=f"{stage.memory_percent:g} %", wanted=wanted)
        if stage.kernel in classes:
            yield from _class_fits(number, stage, classes[stage.kernel])
        else:
            wanted = "there is no plugin of that name here with a workload; plugins stand in soakd.toml"
            yield Misfit(stage=number, key="workload", value=stage.workload, wanted=wanted)
    yield from _one_class(plan, classes)


def class_for(stage: Stage, has: Sequence[str]) -> str:
    """The class that a stage runs in, `has` being those that this core has for its kernel."""
    return has[-1] if stage.instruction_class == "widest" else stage.instruction_class


def _cores_fit(number: int, stage: Stage, bench_cores: Sequence[int]) -> Iterator[Misfit]:
    cores = stage_cores(stage, bench_cores)
    for core in cores:
        if core not in bench_cores:
            wanted = f"no such core may be used here; cores: {', '.join(map(str, bench_cores))}"
            yield Misfit(stage=number, key="cores", value=str(core), wanted=wanted)
    if stage.kind == "exchange" and len(cores) < _ENOUGH_TO_EXCHANGE:
        wanted = "one core has nobody to exchange with; give it two or more"
        yield Misfit(stage=number, key="cores", value=", ".join(map(str, cores)), wanted=wanted)
    turn_s = stage.duration_s / len(cores)
    if pattern_of(stage).dwell_ns * len(cores) > round(stage.duration_s * 1e9):
        wanted = f"too long for every core to have its turn; at most {turn_s:g} s in this stage"
        yield Misfit(stage=number, key="dwell", value=f"{stage.dwell_s:g} s", wanted=wanted)


def _class_fits(number: int, stage: Stage, has: Sequence[str]) -> Iterator[Misfit]:
    if not has:
        wanted = f"this core cannot run {stage.workload} in any class"
        yield Misfit(stage=number, key="workload", value=stage.workload, wanted=wanted)
    elif stage.instruction_class not in {"widest", *has}:
        wanted = f"this core cannot run {stage.workload} in that class; it can: {', '.join(('widest', *has))}"
        yield Misfit(stage=number, key="class", value=stage.instruction_class, wanted=wanted)


def _one_class(plan: Plan, classes: Mapping[str, Sequence[str]]) -> Iterator[Misfit]:
    """The library behind large products is loaded for one class and stays so."""
    first = ""
    for number, stage in enumerate(plan.stages):
        if stage.kernel == _LARGE and (has := classes[_LARGE]):
            name = class_for(stage, has)
            first = first or name
            if name != first:
                wanted = f"one run can have {_LARGE} in one class only; an earlier stage has it in {first}"
                yield Misfit(stage=number, key="class", value=name, wanted=wanted)
