"""Leads from what findings and readings say themselves: machine checks, heat, clocks, sensors, a machine gone down."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from soakd import units
from soakd.model.channels import Role
from soakd.rules.leading import led
from soakd.rules.reached import point_name
from soakd.rules.slowed import causes

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.finding import Finding
    from soakd.model.lead import Confidence, Lead, LeadName
    from soakd.model.verdict import ChannelSummary, PointVisit, StageResult, Verdict
    from soakd.rules.slowed import CauseKind

_COUNTED: Final[tuple[tuple[Role, LeadName], ...]] = (
    (Role.MACHINE_CHECKS, "machine-checks"),
    (Role.UNCORRECTED_MEMORY_ERRORS, "memory-uncorrected"),
    (Role.CORRECTED_MEMORY_ERRORS, "memory-corrected"),
)
_BY_CAUSE: Final[dict[CauseKind, LeadName]] = {
    "heat": "clock-heat", "power": "clock-power", "reference": "clock-reference", "host": "clock-host"
}  # fmt: skip
_LIGHT_SHARE: Final = 0.25
_NEAR_HOT_K: Final = 5.0
"""So near below the throttle temperature, or a limit, a machine that goes down was hot (common practice, no source)."""
_FALLEN: Final = 0.5
_FLOW: Final = (Role.PUMP, Role.COOLANT_FLOW)
_TEMPERATURES: Final = frozenset({Role.CPU_TEMPERATURE.value, Role.COOLANT_TEMPERATURE.value})


def counted_leads(verdict: Verdict) -> Iterator[Lead]:
    """Errors that hardware counted itself."""
    first_s = min((f.at_s for f in verdict.reasons if f.rule == "wrong-result" and f.at_s is not None), default=None)
    for role, name in _COUNTED:
        lines = [
            f"{channel.name} rose from {channel.minimum:.0f} to {channel.maximum:.0f} in the run (its readings)"
            for channel in _of_role(verdict, role)
            if channel.minimum is not None and channel.maximum is not None and channel.maximum > channel.minimum
        ]
        names = {channel.name for channel in _of_role(verdict, role)}
        moments = [f.at_s for f in (*verdict.reasons, *verdict.notes) if f.channel in names and f.at_s is not None]
        if lines and moments and first_s is not None and min(moments) < first_s:
            lines.append(f"told {units.duration_text(first_s - min(moments))} before the first wrong result (findings)")
        if lines:
            yield led(name, sure="seen", evidence=lines)


def went_down_leads(verdict: Verdict) -> Iterator[Lead]:
    """By the load at that moment; the mains are never ruled out."""
    if not _found(verdict, "machine-went-down"):
        return
    stage = next((s for s in reversed(verdict.evidence.stages) if s.state == "stopped"), None)
    hot = [line for channel in _of_role(verdict, Role.CPU_TEMPERATURE) for line in _hot_line(verdict, channel)]
    lines = [*([] if stage is None else [_stage_line(stage)]), *hot]
    if not hot:
        lines += [
            f"{c.name} read {units.reading_text(c.last, c.unit)} at last (its readings)"
            for role in (Role.CPU_TEMPERATURE, Role.PACKAGE_POWER)
            for c in _of_role(verdict, role)
            if c.last is not None
        ]
    if verdict.evidence.reset_by_watchdog:
        lines.append("the hardware watchdog says that it reset the machine: it hung first (evidence)")
    yield led("went-down-hot" if hot else _by_load(verdict, stage), sure="open", evidence=lines)


def _by_load(verdict: Verdict, stage: StageResult | None) -> LeadName:
    if stage is None:
        return "went-down"
    share = len(stage.workers) / verdict.snapshot_before.logical_cores
    if stage.pattern == "walking" or share <= _LIGHT_SHARE:
        return "went-down-light"
    heavy = stage.workload.partition("/")[0] in {"vector", "mixed"} and stage.pattern != "stepped"
    return "went-down-heavy" if heavy and share > 2.0 * _LIGHT_SHARE else "went-down"


def _stage_line(stage: StageResult) -> str:
    cores = "one core after another" if stage.pattern == "walking" else f"{len(stage.workers)} logical cores"
    return (
        f"in stage {stage.index + 1} ({stage.name}): {stage.workload}, {stage.instruction_class}, {stage.pattern}, "
        f"{cores}, with no wrong result before (stages)"
        if not stage.mismatches
        else f"in stage {stage.index + 1} ({stage.name}), after {stage.mismatches} wrong results in it (stages)"
    )


def _hot_line(verdict: Verdict, channel: ChannelSummary) -> Iterator[str]:
    throttle_c = verdict.sheet.limits.throttle_c if verdict.sheet else None
    if channel.last is not None and throttle_c is not None and channel.last >= throttle_c - _NEAR_HOT_K:
        yield f"{channel.name} read {channel.last:.1f} °C at last; {throttle_c:g} °C throttle the processor (sheet)"


def clock_leads(verdict: Verdict) -> Iterator[Lead]:
    """Why a clock was not the declared one; the point that was furthest off stands for all.

    Silent where a temperature came to a limit, or a pump fell: the clocks follow from that.
    """
    if _hot_findings(verdict) or _slow_pump(verdict):
        return
    for state, rule in (("not reached", "settings-not-reached"), ("faster", "faster-than-declared")):
        points = [point for point in verdict.evidence.points if point.state == state and point.clock]
        if not points or not _found(verdict, rule):
            continue
        worst = max(points, key=_off)
        found = causes(verdict.sheet, verdict.snapshot_before, verdict.evidence, worst)
        clock = worst.clock.median_mhz if worst.clock else 0.0
        off_s = max(worst.below_s, worst.above_s)
        line = (
            f"{point_name(worst, verdict.evidence.points)}: {clock:.0f} MHz median, {worst.allowed_mhz:.0f} MHz "
            f"allowed, off for {off_s:.0f} of {worst.held_s:.0f} s (points)"
        )
        name: LeadName = "clock-unknown" if state == "not reached" else "clock-faster"
        sure: Confidence = "open" if state == "not reached" else "seen"
        if found:
            name = _BY_CAUSE[found[0].kind]
            sure = "open" if found[0].kind == "host" else "seen"
        yield led(name, sure=sure, evidence=[line, *(each.text for each in found)])


def _off(point: PointVisit) -> float:
    clock = point.clock.median_mhz if point.clock else 0.0
    return abs(clock / point.allowed_mhz - 1.0) if point.allowed_mhz else 0.0


def heat_leads(verdict: Verdict) -> Iterator[Lead]:
    """What became of the cooling, where a temperature came to a limit or heated on, or cost the declared clock."""
    hot = _hot_findings(verdict)
    if not hot:
        yield from _slow_pump(verdict)
        return
    lines = [f"{finding.rule}: {finding.text}" for finding in hot]
    slow = False
    names: tuple[tuple[LeadName, tuple[Role, ...]], ...] = (("pump", _FLOW), ("fans", (Role.FAN,)))
    for name, roles in names:
        fallen = [line for role in roles for channel in _of_role(verdict, role) for line in _fallen(channel)]
        if fallen:
            slow = True
            yield led(name, sure="seen", evidence=[*fallen, *lines])
    if not slow:
        heating_on = any(finding.rule == "still-heating" for finding in hot)
        yield led("heating-on" if heating_on else "heat", sure="fair" if heating_on else "seen", evidence=lines)


def _slow_pump(verdict: Verdict) -> list[Lead]:
    """A pump that fell, and a clock that was not reached from a step down by temperature on: heat without a limit."""
    cost = [finding for finding in verdict.reasons if finding.rule == "settings-not-reached"]
    steps = [p for p in verdict.evidence.points if p.state == "not reached" and p.from_c is not None]
    fallen = [line for role in _FLOW for channel in _of_role(verdict, role) for line in _fallen(channel)]
    if not (cost and steps and fallen):
        return []
    return [led("pump", sure="seen", evidence=[*fallen, *(f"{finding.rule}: {finding.text}" for finding in cost)])]


def _hot_findings(verdict: Verdict) -> list[Finding]:
    return [finding for finding in (*verdict.reasons, *verdict.notes) if _is_hot(verdict, finding)]


def _is_hot(verdict: Verdict, finding: Finding) -> bool:
    if finding.rule == "still-heating":
        return True
    roles = {channel.name: channel.role for channel in verdict.evidence.channels}
    return finding.rule in {"limit-broken", "limit-ahead"} and roles.get(finding.channel or "") in _TEMPERATURES


def _fallen(channel: ChannelSummary) -> Iterator[str]:
    if channel.last is not None and channel.maximum and channel.last < _FALLEN * channel.maximum:
        last, most = (units.reading_text(value, channel.unit) for value in (channel.last, channel.maximum))
        yield f"{channel.name} fell from {most} to {last} (its readings)"


def sensor_leads(verdict: Verdict) -> Iterator[Lead]:
    """What a limit depends on and was no longer read."""
    for finding in verdict.reasons:
        if finding.rule == "required-reading-lost":
            channel = next((c for c in verdict.evidence.channels if c.name == finding.channel), None)
            reasons = channel.gap_reasons if channel else {}
            lines = [finding.text, *(f"{count} ticks: {reason} (its gaps)" for reason, count in reasons.items())]
            yield led("sensor-lost", sure="seen", evidence=lines)


def _found(verdict: Verdict, rule: str) -> bool:
    return any(finding.rule == rule for finding in verdict.reasons)


def _of_role(verdict: Verdict, role: Role) -> list[ChannelSummary]:
    return [channel for channel in verdict.evidence.channels if channel.role == role.value]
