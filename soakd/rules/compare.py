"""Two verdicts side by side: what the new settings gain, stage by stage, and what cannot be compared.

A gain is a ratio of two speeds with the errors of both; it is called significant where equal benches would show as much
in fewer than 5 of 100 pairs (Welch's test). Both errors are those of one run each: what differs from one start to the
next is not in them. Temperatures are moved to one room: each by its distance to it times what a
kelvin of the room adds to the core.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from soakd import units
from soakd.rules.demonstration import CONFIDENCE
from soakd.rules.estimates import chance_of_none, gain

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.measured import Estimate, StageHeat, StageMeasured
    from soakd.model.plan import Stage
    from soakd.model.verdict import StageResult, Verdict

SHORTEST_S: Final = 300.0
"""Of a stage with a gain: in a shorter one, what slows a bench for ten seconds passes for one
(`tests/benchmarks/throughput.py`)."""
_FIELDS: Final = {
    "pattern": "pattern",
    "dwell_s": "dwell",
    "period_s": "period",
    "on_percent": "on",
    "shortest_s": "shortest",
    "longest_s": "longest",
    "memory_percent": "memory share",
}
"""Of a stage; the length does not matter, and neither do limits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StageGain:
    """One stage of both."""

    old: StageResult
    new: StageResult
    rate: Estimate
    """Share by which the new one is faster."""
    chance: float
    """To see so much where nothing differs."""
    energy: Estimate | None
    """Share by which an operation of the new one takes more energy."""
    energy_chance: float | None
    core_c: tuple[float, float] | None
    """Of the old and the new one, both in the old one's room where both rooms are known; else as they were read."""
    same_room: bool
    settled: bool

    @property
    def significant(self) -> bool:
        return self.chance < 1.0 - CONFIDENCE


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """All stages of the new verdict that the old one has too, and why the others are not compared."""

    stages: tuple[StageGain, ...]
    refused: tuple[str, ...]


def why_not(old: Verdict, new: Verdict) -> str | None:
    """Why two verdicts cannot be compared at all; None where they can."""
    if old.run_id == new.run_id:
        return "this is one and the same verdict"
    for verdict in (old, new):
        if verdict.drill:
            return f"{verdict.run_id} is a drill: it says nothing about the bench"
        if verdict.evidence.measured is None:
            return f"{verdict.run_id} is older than the numbers that a comparison needs"
    then, now = old.snapshot_before, new.snapshot_before
    for what, before, after in (
        ("architecture", then.machine, now.machine),
        ("processor", then.processor, now.processor),
        ("logical cores", str(then.logical_cores), str(now.logical_cores)),
    ):
        if before != after:
            return f"{what}: {before} → {after}; only one bench is compared with itself"
    return None


def compare(old: Verdict, new: Verdict) -> Comparison:
    """Each stage of the new one with the first of the old one that does the same work and has no partner yet."""
    left = [stage.index for stage in old.evidence.stages]
    gains: list[StageGain] = []
    refused: list[str] = []
    for stage in new.evidence.stages:
        reasons = {index: tuple(_differs(old, index, new, stage.index)) for index in left}
        partner = next((index for index in left if not reasons[index]), None)
        if partner is not None:
            left.remove(partner)
            found = _gain(old, partner, new, stage.index)
            if isinstance(found, str):
                refused.append(f"{_name(stage)}: {found}")
            else:
                gains.append(found)
            continue
        alike = [index for index in left if old.evidence.stages[index].workload == stage.workload]
        nearest = min(alike, key=lambda index: len(reasons[index]), default=None)
        why = f"no stage of the other runs {stage.workload}" if nearest is None else "; ".join(reasons[nearest])
        refused.append(f"{_name(stage)}: {why}")
    return Comparison(stages=tuple(gains), refused=tuple(refused))


def _name(stage: StageResult) -> str:
    return f"stage {stage.index + 1} ({stage.name})"


def _differs(old: Verdict, place: int, new: Verdict, other: int) -> Iterator[str]:
    """What makes the work of two stages another one."""
    then, now = old.evidence.stages[place], new.evidence.stages[other]
    if then.workload != now.workload:
        yield f"workload {then.workload} → {now.workload}"
        return
    if then.instruction_class != now.instruction_class:
        yield f"class {then.instruction_class} → {now.instruction_class}: other instructions do the work"
    cores = [tuple(worker.totals.core for worker in stage.workers) for stage in (then, now)]
    if cores[0] != cores[1]:
        yield f"cores {len(cores[0])} → {len(cores[1])}" if len(cores[0]) != len(cores[1]) else "other cores"
    yield from _pattern_differs(old.plan.stages[place], new.plan.stages[other])
    kernel = f"{now.workload}/{now.instruction_class}"
    built = [verdict.evidence.digests.get(kernel) for verdict in (old, new)]
    if None not in built and built[0] != built[1]:
        yield "the kernel was built into other instructions"


def _pattern_differs(then: Stage, now: Stage) -> Iterator[str]:
    for field, word in _FIELDS.items():
        before, after = getattr(then, field), getattr(now, field)
        if before != after:
            yield f"{word} {'none' if before is None else before} → {'none' if after is None else after}"


def _gain(old: Verdict, place: int, new: Verdict, other: int) -> StageGain | str:
    """A text that says why a pair has none."""
    results = old.evidence.stages[place], new.evidence.stages[other]
    for result, word, verdict in zip(results, ("old", "new"), (old, new), strict=True):
        if result.state != "complete":
            return f"the {word} one was {result.state}"
        if result.checked_percent < verdict.plan.coverage_floor_percent:
            return f"only {result.checked_percent:.1f} % of the {word} one's load was checked: something else ran, too"
        if verdict.plan.stages[result.index].duration_s < SHORTEST_S:
            return f"the {word} one was shorter than {units.duration_text(SHORTEST_S)}: too short to tell a gain by"
    then, now = _measured(old, place), _measured(new, other)
    if then is None or now is None or then.rate is None or now.rate is None:
        return "too few ticks for a speed with its error, in one of the two"
    if not then.rate.value or not now.rate.value:
        return "nothing was done in one of the two"
    rate = gain(now.rate, then.rate)
    energy = gain(now.energy_j, then.energy_j) if then.energy_j and now.energy_j else None
    core_c, same_room = _core_c(old, then.heat, new, now.heat)
    return StageGain(
        old=results[0],
        new=results[1],
        rate=rate,
        chance=chance_of_none(rate),
        energy=energy,
        energy_chance=None if energy is None else chance_of_none(energy),
        core_c=core_c,
        same_room=same_room,
        settled=all(heat is not None and heat.settled is True for heat in (then.heat, now.heat)),
    )


def _measured(verdict: Verdict, place: int) -> StageMeasured | None:
    measured = verdict.evidence.measured
    return next((each for each in measured.stages if each.index == place), None) if measured else None


def _core_c(
    old: Verdict, then: StageHeat | None, new: Verdict, now: StageHeat | None
) -> tuple[tuple[float, float] | None, bool]:
    """Temperatures, and whether they are those of one room."""
    if then is None or now is None:
        return None, False
    rooms = [verdict.evidence.measured.heat if verdict.evidence.measured else None for verdict in (old, new)]
    wide, near = rooms
    if wide is None or near is None or wide.ambient_c is None or near.ambient_c is None:
        return (then.core_c, now.core_c), False
    before_c = wide.ambient_c if then.ambient_c is None else then.ambient_c
    after_c = near.ambient_c if now.ambient_c is None else now.ambient_c
    return (then.core_c, now.core_c + near.core_gain * (before_c - after_c)), True
