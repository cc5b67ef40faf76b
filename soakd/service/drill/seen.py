"""What was seen of a drill, and whether that is what had to come of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.model.drill import DrillResult

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.finding import Finding
    from soakd.model.verdict import Verdict
    from soakd.service.drill.drills import Drill


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Of one drill."""

    verdict: Verdict | None = None
    latency_s: float | None = None
    """None where what had to follow did not come in time."""
    left: int = 0
    """Processes of the run that outlived it."""
    odd: str = ""
    """What else was not as it should be."""


def result_of(drill: Drill, seen: Seen) -> DrillResult:
    """Caught or missed."""
    told = _told(drill, seen.verdict) if seen.verdict is not None else None
    first = next(iter(seen.verdict.reasons), None) if seen.verdict is not None else None
    shown = told or first
    wrong = "; ".join(_wrong(drill, seen, told))
    return DrillResult(
        name=drill.name,
        injected=drill.injected,
        reality=drill.reality,
        state="missed" if wrong else "caught",
        expected=drill.expected,
        noticed_by=None if wrong else drill.by,
        rule=None if shown is None else shown.rule,
        outcome=None if seen.verdict is None else seen.verdict.outcome,
        latency_s=None if seen.latency_s is None else round(seen.latency_s, 3),
        until=drill.until,
        why=wrong or drill.not_real,
    )


def not_shown(drill: Drill, why: str) -> DrillResult:
    return DrillResult(
        name=drill.name,
        injected=drill.injected,
        reality=drill.reality,
        state="not shown",
        expected=drill.expected,
        until=drill.until,
        why=why,
    )


def _wrong(drill: Drill, seen: Seen, told: Finding | None) -> Iterator[str]:
    """Everything that is not as it should be; nothing where the drill was caught."""
    if seen.odd:
        yield seen.odd
    if seen.verdict is None:
        yield "no verdict came of it"
    elif drill.rule and told is None:
        said = f" ({drill.words})" if drill.words else ""
        yield f"nothing found is {drill.rule}{said}; the verdict was {_summary(seen.verdict)}"
    elif seen.verdict.outcome != drill.outcome:
        yield f"the verdict was {_summary(seen.verdict)}"
    if seen.latency_s is None:
        yield f"{drill.until}: not within {drill.most_s:g} s"
    elif seen.latency_s > drill.most_s:
        yield f"{drill.until}: after {seen.latency_s:.1f} s, and {drill.most_s:g} s is the most"
    if seen.left:
        yield f"{seen.left} processes of the run outlived it"


def _told(drill: Drill, verdict: Verdict) -> Finding | None:
    """The finding that was expected, in the words that were expected of it or of its channel's gaps."""
    gaps = {channel.name: " ".join(channel.gap_reasons) for channel in verdict.evidence.channels}
    return next(
        (
            finding
            for finding in (*verdict.reasons, *verdict.notes)
            if finding.rule == drill.rule and drill.words in f"{finding.text} {gaps.get(finding.channel or '', '')}"
        ),
        None,
    )


def _summary(verdict: Verdict) -> str:
    return f"{verdict.outcome}, {verdict.reasons[0].text}" if verdict.reasons else f"a {verdict.outcome}"
