"""The wrong results of a verdict as a table: where and when, and which bits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from soakd import units
from soakd.model.plan import MEMORY_KINDS
from soakd.rules.cores import thread_text

if TYPE_CHECKING:
    from soakd.model.finding import Finding, WrongResult
    from soakd.model.verdict import Verdict

_NAMED: Final = 8
"""Bits that are named one by one."""
_LANES: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongRow:
    """One wrong result."""

    when: str
    core: str
    stage: str
    load: str
    where: str
    bits: str
    lanes: str
    """Byte lanes of a wrong word of memory; else empty."""
    temperature: str
    """Read nearest to it, and of what."""
    expected: str
    actual: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongView:
    """All that are kept, and how many there were."""

    counted: str
    rows: tuple[WrongRow, ...]


def wrong_view(verdict: Verdict) -> WrongView | None:
    """None where nothing was wrong."""
    rows = tuple(_row(f, f.wrong, verdict) for f in (*verdict.reasons, *verdict.notes) if f.wrong is not None)
    count = sum(stage.mismatches for stage in verdict.evidence.stages)
    if not rows and not count:
        return None
    results = "1 wrong result" if count == 1 else f"{count} wrong results"
    return WrongView(counted=f"{results}; {len(rows)} kept in full", rows=rows)


def _row(finding: Finding, wrong: WrongResult, verdict: Verdict) -> WrongRow:
    stage, thread = finding.stage, thread_text(verdict.snapshot_before, finding.core)
    flipped = int(wrong.flipped, 16)
    in_memory = wrong.workload.partition("/")[0] in MEMORY_KINDS
    return WrongRow(
        when="–" if finding.at_s is None else units.duration_text(finding.at_s),
        core="–" if finding.core is None else ", ".join(filter(None, (str(finding.core), thread))),
        stage="at rest" if stage is None else f"{stage + 1} {verdict.plan.stages[stage].name}",
        load=f"{wrong.workload}, {wrong.instruction_class}, round {wrong.round}",
        where=wrong.where,
        bits=_bits(flipped),
        lanes=", ".join(str(lane) for lane in range(_LANES) if flipped >> 8 * lane & 0xFF) if in_memory else "",
        temperature=temperature_text(finding) or "–",
        expected=wrong.expected,
        actual=wrong.actual,
    )


def temperature_text(finding: Finding) -> str:
    """71.2 °C (cpu-temperature); empty where none was read."""
    near = finding.temperature
    return "" if near is None else f"{units.reading_text(near.value, units.TEMPERATURE.base)} ({near.role})"


def _bits(flipped: int) -> str:
    bits = [place for place in range(flipped.bit_length()) if flipped >> place & 1]
    return ", ".join(map(str, bits)) if len(bits) <= _NAMED else f"{len(bits)} bits"
