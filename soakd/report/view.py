"""One view of a verdict: every number and word that any rendering shows, worked out once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd import units
from soakd.model.plan import MEMORY_KINDS
from soakd.report.declared import declared_rows
from soakd.report.measured import Numbers, numbers
from soakd.report.observed import observed_rows
from soakd.report.points import PointsView, points_view
from soakd.report.wrong import temperature_text
from soakd.rules.cores import thread_text
from soakd.rules.reached import covered_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.finding import Finding
    from soakd.model.snapshot import Snapshot
    from soakd.model.verdict import ChannelSummary, StageResult, Verdict

GAPS_WORTH_A_LINE = 0.02
"""Share of missing readings from which a channel is named; the verdict's JSON names every gap."""
SAYING = {
    "pass": "every stage ran to its end, every result was right, and nothing that was to be watched was missing",
    "fail": "something went wrong that must not: see the reasons",
    "inconclusive": "neither proven nor refuted: see what is missing",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StageRow:
    """One stage: what it was, and what became of it."""

    number: str
    name: str
    state: str
    load: str
    facts: tuple[str, ...]
    mismatches: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MarginRow:
    """One bound, and how near its channel came."""

    what: str
    nearest: str
    bound: str
    """What it does and when."""
    left: str
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictView:
    """What a reader is shown, in reading order."""

    outcome: str
    headline: str
    saying: str
    scope: str
    """How much of what the sheet allows a pass speaks of; else empty."""
    identity: tuple[tuple[str, str], ...]
    reasons: tuple[str, ...]
    stages: tuple[StageRow, ...]
    margins: tuple[MarginRow, ...]
    coverage: tuple[tuple[str, str], ...]
    points: PointsView | None
    numbers: tuple[Numbers, ...]
    """What the readings come to."""
    guard: tuple[tuple[str, str], ...]
    settings: tuple[tuple[str, str], ...]
    declared: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]


def view(verdict: Verdict) -> VerdictView:
    """Everything worth showing of a verdict."""
    sheet = f"sheet “{verdict.sheet.name}”" if verdict.sheet else "no sheet"
    return VerdictView(
        outcome=verdict.outcome,
        headline=f"{verdict.plan.name} · {sheet}",
        saying=SAYING[verdict.outcome],
        scope=covered_text(verdict.evidence.points) if verdict.outcome == "pass" else "",
        identity=(
            ("run", verdict.run_id),
            ("started", verdict.started_utc),
            ("lasted", units.duration_text(verdict.evidence.duration_s)),
            ("fingerprint", f"{verdict.fingerprint[:16]}…"),
            ("soakd", verdict.soakd_version),
        ),
        reasons=tuple(f"{finding.rule}: {told_text(finding, verdict.snapshot_before)}" for finding in verdict.reasons),
        stages=tuple(_stage(stage) for stage in verdict.evidence.stages),
        margins=tuple(_margins(verdict)),
        coverage=tuple(_coverage(verdict)),
        points=points_view(verdict.evidence.points, verdict.evidence.stages),
        numbers=numbers(verdict),
        guard=tuple(_guard(verdict)),
        settings=tuple(observed_rows(verdict.snapshot_before)),
        declared=tuple(declared_rows(verdict.sheet)) if verdict.sheet else (),
        notes=tuple(finding.text for finding in verdict.notes),
    )


def told_text(finding: Finding, snapshot: Snapshot) -> str:
    """What was found; in brackets whose thread computed it, when and how warm, as far as it is known."""
    thread = "" if finding.wrong is None else thread_text(snapshot, finding.core)
    when = "" if finding.at_s is None else f"after {units.duration_text(finding.at_s)}"
    warm = "" if finding.temperature is None else f"at {temperature_text(finding)}"
    told = ", ".join(filter(None, (thread, when, warm)))
    return f"{finding.text} [{told}]" if told else finding.text


def _stage(stage: StageResult) -> StageRow:
    pattern = "" if stage.pattern == "steady" else f", {stage.pattern}"
    cores = "1 core" if len(stage.workers) == 1 else f"{len(stage.workers)} cores"
    load = f"{stage.workload}, {stage.instruction_class}{pattern}, {cores}, {units.duration_text(stage.planned_s)}"
    notes = sorted({worker.totals.note for worker in stage.workers if worker.totals.note})
    return StageRow(
        number=str(stage.index + 1),
        name=stage.name,
        state=stage.state,
        load=load,
        facts=(*(() if stage.state == "not started" else _stage_facts(stage)), *(f"per core {n}" for n in notes)),
        mismatches=stage.mismatches,
    )


def _stage_facts(stage: StageResult) -> tuple[str, ...]:
    wrong = "no wrong result" if not stage.mismatches else f"{stage.mismatches} WRONG"
    clocks = [worker.clock for worker in stage.workers if worker.clock]
    lowest = min((c.minimum_mhz for c in clocks), default=None)
    medians = sorted(c.median_mhz for c in clocks)
    clock = (
        "clock not observed"
        if lowest is None
        else f"{medians[0]:.0f} MHz median of the slowest core, {lowest:.0f} at least"
    )
    sweeps = min((worker.totals.sweeps for worker in stage.workers), default=0)
    swept = (f"{sweeps} whole sweeps by every core",) if stage.workload.partition("/")[0] in MEMORY_KINDS else ()
    return (
        f"{stage.rounds} rounds, {stage.checked_percent:.1f} % of the time checked, {wrong}",
        f"{units.count_text(stage.operations)} {stage.unit}, {units.count_text(stage.per_second)} per second",
        *swept,
        clock,
    )


def _margins(verdict: Verdict) -> Iterator[MarginRow]:
    nearest = [limit.nearest for limit in verdict.evidence.limits] or _extremes(verdict)
    for bound, worst in zip(verdict.bounds, nearest, strict=True):
        yield MarginRow(
            what=f"{bound.role}: {bound.what}",
            nearest="no reading" if worst is None else units.reading_text(worst, bound.watched_unit),
            bound=bound.says,
            left="unknown" if worst is None else units.reading_text(bound.margin(worst), bound.left_unit),
            origin=bound.origin,
        )


def _extremes(verdict: Verdict) -> list[float | None]:
    """What verdicts tell that are older than the margins of each limit."""
    channels = {channel.name: channel for channel in verdict.evidence.channels}
    return [
        channels[bound.channel].maximum if bound.side == "above" else channels[bound.channel].minimum
        for bound in verdict.bounds
    ]


def _coverage(verdict: Verdict) -> Iterator[tuple[str, str]]:
    coverage = verdict.evidence.coverage
    yield (
        "checked",
        f"{coverage.checked_percent:.1f} % of the weakest core's load time (floor {coverage.floor_percent:g} %)",
    )
    if coverage.watched_percent is None:
        yield "watched", "nothing: no limit applies to any sensor of this bench"
    else:
        yield "watched", f"{coverage.watched_percent:.1f} % of the readings of {coverage.weakest_channel}, the weakest"
    alike: dict[str, list[str]] = {}
    for channel in verdict.evidence.channels:
        if channel.role != "probed-clock" and channel.gaps > GAPS_WORTH_A_LINE * (channel.readings + channel.gaps):
            alike.setdefault(_why_gaps(channel), []).append(channel.name)
    for why, names in alike.items():
        yield "gaps", f"{', '.join(names)}: {why}"


def _why_gaps(channel: ChannelSummary) -> str:
    return "; ".join(f"{count} × {reason}" for reason, count in channel.gap_reasons.items())


def _guard(verdict: Verdict) -> Iterator[tuple[str, str]]:
    evidence = verdict.evidence
    yield "priority", evidence.priority or "not known"
    late = sum(evidence.late_readings.values())
    yield (
        "ticks",
        f"{evidence.ticks_due - evidence.ticks_lost} of {evidence.ticks_due} on the grid, {late} late readings",
    )
    if evidence.guard_cpu_percent is not None and evidence.guard_peak_mib is not None:
        yield "own cost", f"{evidence.guard_cpu_percent:.2f} % of one core, {evidence.guard_peak_mib:.0f} MiB"
    if evidence.load_gone_s is not None:
        yield "stop", f"load gone {evidence.load_gone_s * 1000:.1f} ms after the deciding event"
    if evidence.cooling_s is not None:
        yield "cooling", f"watched for {units.duration_text(evidence.cooling_s)} after the stop"
    if evidence.steal_percent_mean is not None:
        yield (
            "stolen",
            f"mean {evidence.steal_percent_mean:.1f} %, at most {evidence.steal_percent_max or 0:.1f} % of a core",
        )
