"""The cores of a bench in the stage that goes on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd import units
from soakd.rules.expected import stage_cores
from soakd.rules.gather import probe_channel

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.report.sofar import SoFar


@dataclass(frozen=True, slots=True, kw_only=True)
class CoreRow:
    """One logical core in the present stage."""

    core: str
    clock: str
    load: str
    share: float
    """Of the stage's time so far that was checked, in %."""
    operations: str
    rounds: str
    wrong: str


def core_rows(so_far: SoFar) -> Iterator[CoreRow]:
    number = so_far.progress.stage
    if number is None:
        return
    stage = so_far.record.plan.stages[number]
    begun = next((s.begin_s for s in reversed(so_far.spells) if s.stage == number), None)
    into_s = so_far.now_s - begun if begun is not None else 0.0
    values = so_far.progress.values
    loaded = stage_cores(stage, so_far.record.cores)
    for core in so_far.record.cores:
        clock = values.get(probe_channel(core))
        totals = so_far.totals.get(core)
        share = min(100.0, 100.0 * totals.checked_s / into_s) if totals is not None and into_s > 0.0 else 0.0
        yield CoreRow(
            core=str(core),
            clock="–" if clock is None else units.reading_text(clock, "MHz"),
            load=("idle" if core not in loaded else f"{share:.0f} % checked"),
            share=share,
            operations="–" if totals is None else units.count_text(totals.operations),
            rounds="–" if totals is None else str(totals.rounds),
            wrong="–" if totals is None else str(totals.mismatches),
        )
