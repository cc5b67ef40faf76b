"""Where a run's load was spent and where its wrong results fell: what leads compare. Cores are physical."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from soakd.model.channels import Role
from soakd.rules.cores import physical
from soakd.rules.points import POINT_KINDS, register_bits

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping

    from soakd.model.finding import Finding
    from soakd.model.verdict import PointVisit, StageResult, Verdict

_OF_THE_CORE: Final = frozenset({"worker-died", "worker-hung"})
_LEAST_LOAD_S: Final = 1.0
_PROCESSOR: Final = Role.CPU_TEMPERATURE.value


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One core's load in one stage; of a stepped one, its load in one group of active cores."""

    stage: int
    core: int
    kind: str
    width: int
    """Register bits; 64 for scalar work."""
    pattern: str
    active: int | None
    """Largest number of active cores of the group; None where it is not known."""
    clock_mhz: float | None
    """Median of those that the worker measured on itself."""
    load_s: float
    errors: int
    """Rounds with wrong results, and workers that died or hung of the load."""
    warmth: Mapping[int, float] = field(default_factory=dict)
    """Whole °C of the processor, rounded down, to seconds of that load; empty where it was not read."""
    errors_c: tuple[int, ...] = ()
    """The same degrees of those errors near which it was read."""

    def load_from_s(self, least_c: float) -> float:
        """Load at such a temperature or a higher one; 0 where it was not read."""
        return math.fsum(seconds for degree, seconds in self.warmth.items() if degree >= least_c)


def errors_of(verdict: Verdict) -> list[Finding]:
    """Of a core, with its stage; a round counts once, however many of its results were wrong."""
    seen: set[object] = set()
    found = []
    for finding in verdict.reasons:
        if finding.weight != "fail" or finding.stage is None or finding.core is None:
            continue
        if finding.rule == "wrong-result" or finding.rule in _OF_THE_CORE:
            key = finding.stage, finding.core, finding.wrong.round if finding.wrong else finding.rule
            if key not in seen:
                seen.add(key)
                found.append(finding)
    return found


def not_kept(verdict: Verdict) -> int:
    """Wrong results that were counted and whose details are not in the evidence: a round keeps eight."""
    counted = sum(stage.mismatches for stage in verdict.evidence.stages)
    return max(0, counted - sum(finding.wrong is not None for finding in verdict.reasons))


def cells(verdict: Verdict, errors: Iterable[Finding]) -> list[Cell]:
    """Of every stage that was loaded."""
    whole = physical(verdict.snapshot_before)
    by_worker: dict[tuple[int, int], list[Finding]] = {}
    for finding in errors:
        by_worker.setdefault((finding.stage or 0, finding.core or 0), []).append(finding)
    found = [cell for stage in verdict.evidence.stages for cell in _of_stage(verdict, stage, by_worker, whole)]
    return [*(cell for cell in found if cell.active is not None), *_stepped(verdict, found)]


def _of_stage(
    verdict: Verdict, stage: StageResult, errors: Mapping[tuple[int, int], list[Finding]], whole: Mapping[int, int]
) -> Iterator[Cell]:
    threads = Counter(whole.get(worker.totals.core, worker.totals.core) for worker in stage.workers)
    active = {"walking": 1, "stepped": None}.get(stage.pattern, len(threads))
    for core in threads:
        workers = [w for w in stage.workers if whole.get(w.totals.core, w.totals.core) == core and w.totals.rounds]
        found = [finding for w in stage.workers for finding in errors.get((stage.index, w.totals.core), ())]
        found = [finding for finding in found if whole.get(finding.core or 0, finding.core) == core]
        load_s = sum(worker.totals.checked_s for worker in workers) / threads[core]
        if load_s <= _LEAST_LOAD_S and not found:
            continue
        yield Cell(
            stage=stage.index,
            core=core,
            kind=stage.workload.partition("/")[0],
            width=register_bits(stage.instruction_class),
            pattern=stage.pattern,
            active=None if active is None else _group(verdict, active),
            clock_mhz=max((w.clock.median_mhz for w in workers if w.clock), default=None),
            load_s=max(load_s, _LEAST_LOAD_S),
            errors=len(found),
            warmth=_warmth(stage, {worker.totals.core for worker in workers}, load_s),
            errors_c=tuple(_degrees(found)),
        )


def _group(verdict: Verdict, active: int) -> int:
    """The group of active cores that holds so many."""
    return min((p.active for p in verdict.evidence.points if p.active >= active), default=active)


def _warmth(stage: StageResult, workers: Collection[int], load_s: float) -> dict[int, float]:
    """One core's load by the processor's temperature."""
    found: Counter[int] = Counter()
    for each in stage.warmth:
        if each.role == _PROCESSOR and (each.core is None or each.core in workers):
            found.update(each.seconds)
    known_s = math.fsum(found.values())
    return {degree: seconds / known_s * load_s for degree, seconds in found.items()} if known_s else {}


def _degrees(errors: Iterable[Finding]) -> Iterator[int]:
    for finding in errors:
        if finding.temperature is not None and finding.temperature.role == _PROCESSOR:
            yield math.floor(finding.temperature.value)


def _stepped(verdict: Verdict, found: Iterable[Cell]) -> Iterator[Cell]:
    """Stages that step from group to group: what the operating points hold beyond the load of the others."""
    known: dict[tuple[int, int, int], tuple[float, int]] = {}
    stepped: dict[tuple[int, int], list[Cell]] = {}
    for cell in found:
        if cell.active is None:
            stepped.setdefault((cell.core, cell.width), []).append(cell)
            continue
        if cell.kind in POINT_KINDS:
            load_s, errors = known.get(place := (cell.core, cell.active, cell.width), (0.0, 0))
            known[place] = load_s + cell.load_s, errors + cell.errors
    for (core, width), cells_here in stepped.items():
        points = [p for p in verdict.evidence.points if (p.core, p.width) == (core, width)]
        parts = [] if any(cell.kind not in POINT_KINDS for cell in cells_here) else _parts(cells_here[0], points, known)
        whole = sum(part.errors for part in parts) == sum(cell.errors for cell in cells_here)
        yield from parts if parts and whole else cells_here


def _parts(
    cell: Cell, points: Iterable[PointVisit], known: Mapping[tuple[int, int, int], tuple[float, int]]
) -> list[Cell]:
    """One for each group of active cores. Temperatures are those of them all, and stand with the first."""
    here: dict[int, list[PointVisit]] = {}
    for point in points:
        here.setdefault(point.active, []).append(point)
    parts: list[Cell] = []
    for active, visits in here.items():
        load_s, errors = known.get((cell.core, active, cell.width), (0.0, 0))
        rest_s = math.fsum(visit.dwelt_s for visit in visits) - load_s
        wrong = max(0, sum(visit.errors for visit in visits) - errors)
        clocks = [visit.clock.median_mhz for visit in visits if visit.clock]
        if rest_s > _LEAST_LOAD_S or wrong:
            load_s, clock_mhz = max(rest_s, _LEAST_LOAD_S), max(clocks, default=None)
            part = replace(cell, active=active, clock_mhz=clock_mhz, load_s=load_s, errors=wrong)
            parts.append(replace(part, warmth={}, errors_c=()) if parts else part)
    return parts
