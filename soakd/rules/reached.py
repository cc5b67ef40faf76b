"""Was it really so? What operating points object to: a clock that was not the declared one, a dwell that was short."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.model.finding import Finding
from soakd.rules.point_words import core_text, group_text, spans, width_text
from soakd.rules.slowed import likely_cause
from soakd.rules.visits import is_short

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from soakd.model.run import RunRecord
    from soakd.model.verdict import ClockSummary, Evidence, PointVisit


def clock_as_declared(record: RunRecord, evidence: Evidence) -> Iterator[Finding]:
    """A pass at a lower clock is not a pass of these settings; nor is one at a higher, which are other settings."""
    for state, rule in (("not reached", "settings-not-reached"), ("faster", "faster-than-declared")):
        off = [p for p in evidence.points if p.state == state and p.clock is not None and p.allowed_mhz is not None]
        if off:
            worst = max(off, key=_distance)
            text = f"{point_name(worst, evidence.points)}: {_numbers(worst)}"
            if len(off) > 1:
                text += f"; {state} at {len(off)} of {sum(p.held_s > 0.0 for p in evidence.points)} points in all"
            cause = likely_cause(record, evidence, worst)
            yield Finding(
                rule=rule,
                weight="inconclusive",
                text=f"{text}. {cause}" if cause else text,
                core=worst.core,
                sample=worst.clock.median_mhz if worst.clock else None,
                bound=worst.allowed_mhz,
                unit="MHz",
            )


def points_dwelt(record: RunRecord, evidence: Evidence) -> Iterator[Finding]:
    """Core, group and width have the share of time that the plan's floor asks for, at whatever temperature."""
    floor_percent = record.plan.coverage_floor_percent
    dwelt: dict[tuple[int, int, int], float] = {}
    for point in evidence.points:
        dwelt[_place(point)] = dwelt.get(_place(point), 0.0) + point.dwelt_s
    first = {_place(point): point for point in reversed(evidence.points) if point.planned_s}
    short = {place: point for place, point in first.items() if is_short(dwelt[place], point.planned_s, floor_percent)}
    if short:
        place, worst = min(short.items(), key=lambda each: dwelt[each[0]] / each[1].planned_s)
        text = (
            f"{point_name(worst, evidence.points)}: {dwelt[place]:.1f} s of load were checked and the plan has "
            f"{worst.planned_s:.1f} s; it asks for {floor_percent:g} %"
        )
        if len(short) > 1:
            text += f"; so it is at {len(short)} of {len(first)} points that the plan visits"
        yield Finding(rule="point-short", weight="inconclusive", text=text, core=worst.core)


def clock_held(record: RunRecord, evidence: Evidence) -> Iterator[Finding]:
    """Where the clock could not be held against the sheet, and why."""
    visited = [point for point in evidence.points if point.dwelt_s]
    unheld = [point for point in visited if not point.held_s]
    if record.sheet is None or not unheld:
        return
    clocks = record.sheet.clocks
    if not any(point.clock for point in unheld):
        why = "it was not observed"
    elif clocks.reference_mhz is None:
        why = "the sheet declares no reference clock"
    else:
        why = "the sheet declares no clock for them"
    where = "" if len(unheld) == len(visited) else f" at {len(unheld)} of {len(visited)} points"
    text = f"the clock was not held against the sheet{where}: {why}; a pass may belong to a lower one"
    yield Finding(rule="clock-not-held", weight="note", text=text)


def covered_text(points: Sequence[PointVisit]) -> str:
    """How much of what the sheet allows a pass speaks of; empty for a verdict that counted no points."""
    covered = sum(point.state == "covered" for point in points)
    if not points:
        return ""
    if covered == len(points):
        return f"all {covered} operating points were covered"
    return f"it passes only what was covered: {covered} of {len(points)} operating points"


def point_name(point: PointVisit, points: Sequence[PointVisit]) -> str:
    """Core 3, 2-4 active, 256 bits, from 85 °C."""
    span = next(span for span in spans(sorted({each.active for each in points})) if span[1] == point.active)
    step = "" if point.from_c is None else f", from {point.from_c:g} °C"
    return f"{core_text([point.core])}, {group_text(span)}, {width_text(point.width)}{step}"


def _place(point: PointVisit) -> tuple[int, int, int]:
    return point.core, point.active, point.width


def _distance(point: PointVisit) -> float:
    """How far the clock was from the allowed one, as a share of it; time weighs among equals."""
    return abs(_clock(point).median_mhz - (point.allowed_mhz or 0.0)) / (point.allowed_mhz or 1.0)


def _numbers(point: PointVisit) -> str:
    clock, off_s = _clock(point), max(point.below_s, point.above_s)
    side = "below" if point.below_s >= point.above_s else "above"
    return (
        f"allowed {point.allowed_mhz:.0f} MHz, seen {clock.median_mhz:.0f} MHz median ({clock.minimum_mhz:.0f} to "
        f"{clock.maximum_mhz:.0f}) over {point.held_s:.0f} s, {off_s:.0f} s of them {side}"
    )


def _clock(point: PointVisit) -> ClockSummary:
    if point.clock is None:
        raise ValueError("a point whose clock was held against the sheet has one")
    return point.clock
