"""Where a run's load was spent and where its wrong results fell: what leads compare. Cores are physical."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from soakd.rules.cores import physical
from soakd.rules.points import POINT_KINDS, register_bits

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from soakd.model.finding import Finding
    from soakd.model.verdict import PointVisit, StageResult, Verdict, WorkerResult

_OF_THE_CORE: Final = frozenset({"worker-died", "worker-hung"})
_LEAST_LOAD_S: Final = 1.0


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
    core_c: float | None
    """The hottest core at the end of the stage; None where the load was not steady."""
    load_s: float
    errors: int
    """Rounds with wrong results, and workers that died or hung of the load."""
    late: float = 0.0
    """Share of a steady stage's rounds that were over when the first error came."""


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
            core_c=_core_c(verdict, stage.index),
            load_s=max(load_s, _LEAST_LOAD_S),
            errors=len(found),
            late=_late(stage, workers, found),
        )


def _group(verdict: Verdict, active: int) -> int:
    """The group of active cores that holds so many."""
    return min((p.active for p in verdict.evidence.points if p.active >= active), default=active)


def _core_c(verdict: Verdict, stage: int) -> float | None:
    measured = verdict.evidence.measured
    heats = (each.heat for each in measured.stages if each.index == stage) if measured else ()
    return next((heat.core_c for heat in heats if heat is not None), None)


def _late(stage: StageResult, workers: Iterable[WorkerResult], errors: Iterable[Finding]) -> float:
    rounds = max((worker.totals.rounds for worker in workers), default=0)
    firsts = [finding.wrong.round - 1 for finding in errors if finding.wrong is not None]
    if stage.pattern != "steady" or not firsts or not rounds:
        return 0.0
    return min(firsts) / max(rounds, min(firsts) + 1)


def _stepped(verdict: Verdict, found: Iterable[Cell]) -> Iterator[Cell]:
    """Stages that step from group to group: what the operating points hold beyond the load of the others."""
    known: dict[tuple[int, int, int], tuple[float, int]] = {}
    stepped: dict[tuple[int, int], list[Cell]] = {}
    for cell in found:
        if cell.active is None:
            stepped.setdefault((cell.core, cell.width), []).append(cell)
            continue
        load_s, errors = known.get(place := (cell.core, cell.active, cell.width), (0.0, 0))
        known[place] = load_s + (cell.load_s if cell.kind in POINT_KINDS else 0.0), errors + cell.errors
    for (core, width), cells_here in stepped.items():
        points = [p for p in verdict.evidence.points if (p.core, p.width) == (core, width)]
        parts = [] if any(cell.kind not in POINT_KINDS for cell in cells_here) else _parts(cells_here[0], points, known)
        whole = sum(part.errors for part in parts) == sum(cell.errors for cell in cells_here)
        yield from parts if parts and whole else cells_here


def _parts(
    cell: Cell, points: Iterable[PointVisit], known: Mapping[tuple[int, int, int], tuple[float, int]]
) -> list[Cell]:
    """One for each group of active cores."""
    here: dict[int, list[PointVisit]] = {}
    for point in points:
        here.setdefault(point.active, []).append(point)
    parts = []
    for active, visits in here.items():
        load_s, errors = known.get((cell.core, active, cell.width), (0.0, 0))
        rest_s = math.fsum(visit.dwelt_s for visit in visits) - load_s
        wrong = max(0, sum(visit.errors for visit in visits) - errors)
        clocks = [visit.clock.median_mhz for visit in visits if visit.clock]
        if rest_s > _LEAST_LOAD_S or wrong:
            load_s, clock_mhz = max(rest_s, _LEAST_LOAD_S), max(clocks, default=None)
            parts.append(replace(cell, active=active, clock_mhz=clock_mhz, load_s=load_s, errors=wrong))
    return parts
