"""What a verdict's readings come to, in words: demonstrated, fast, hot, electrical; each number with its 95 %."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd import units
from soakd.rules.demonstration import CONFIDENCE
from soakd.rules.estimates import half_width
from soakd.rules.reached import point_name
from soakd.rules.run_heat import headroom

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.measured import Demonstration, Electrical, Estimate, Heat, Measured, StageHeat
    from soakd.model.verdict import PointVisit, Verdict

Row = tuple[str, str]
SETTLED = {True: "settled", False: "not settled", None: "settled or not is not known"}
_DISTANT = 4.6
"""Time constants until 1 % is left."""
_MOST_CLOCKS = 5
_PERCENT = 100.0


@dataclass(frozen=True, slots=True)
class Numbers:
    """One heading with its rows."""

    title: str
    rows: tuple[Row, ...]


def numbers(verdict: Verdict) -> tuple[Numbers, ...]:
    """Empty for a verdict of before anything was worked out."""
    measured = verdict.evidence.measured
    if measured is None:
        return ()
    sections = (
        Numbers("Demonstrated", tuple(_demonstrated(measured.demonstration, verdict))),
        Numbers("Throughput", tuple(_throughput(measured, verdict))),
        Numbers("Heat", tuple(_heat(measured, verdict))),
        Numbers("Electrical", tuple(_electrical(measured.electrical, verdict))),
    )
    return tuple(section for section in sections if section.rows)


def in_a_room(verdict: Verdict, room_c: float) -> Numbers:
    """What would be left of each limit there."""
    measured = verdict.evidence.measured
    heat = measured.heat if measured else None
    rows = [
        (f"{head.left_in(room_c, heat.core_gain, heat.ambient_c):.1f} K left", f"{head.bound.what} {head.bound.text}")
        for head in headroom(verdict.bounds, verdict.evidence)
        if heat is not None and heat.ambient_c is not None
    ]
    unknown = [("not known", "no sensor and no sheet says how warm the room was, or no limit depends on it")]
    return Numbers(f"In a room of {room_c:g} °C", tuple(rows or unknown))


def plus_minus(estimate: Estimate, scale: float = 1.0) -> str:
    """Value ± half width, to two figures of that: 0.2993 ± 0.0012."""
    half = half_width(estimate, CONFIDENCE) * scale
    decimals = 2 if half <= 0.0 else max(0, min(6, 1 - math.floor(math.log10(half))))
    return f"{estimate.value * scale:.{decimals}f} ± {half:.{decimals}f}"


def share_text(estimate: Estimate) -> str:
    """± 0.25 %, of the value."""
    return f"± {_PERCENT * half_width(estimate, CONFIDENCE) / abs(estimate.value):.2g} %"


def _demonstrated(shown: Demonstration | None, verdict: Verdict) -> Iterator[Row]:
    if shown is None:
        return
    errors = {0: "no error", 1: "1 error"}.get(shown.errors, f"{shown.errors} errors")
    yield "seen", f"{errors} in {units.duration_text(shown.load_s)} of checked load under this plan"
    sure = f"at {shown.confidence * _PERCENT:g} % confidence"
    yield "mean time between errors", f"at least {units.duration_text(shown.mean_s)}, {sure}"
    if shown.between_s is not None:
        low, high = map(units.duration_text, shown.between_s)
        yield "", f"between {low} and {high}, {sure}"
    least = _least_shown(verdict.evidence.points)
    if least is not None and least.shown_s is not None:
        where = point_name(least, verdict.evidence.points)
        yield "least shown", f"{units.duration_text(least.shown_s)}, {sure}: {where}"
    yield "not shown", "other temperatures, points without load, wear; and it takes errors to come at one constant rate"


def _least_shown(points: tuple[PointVisit, ...]) -> PointVisit | None:
    """Of the points that the plan visits below every step down, for a plan cannot ask for those."""
    visited = [point for point in points if point.shown_s is not None and point.planned_s and not point.step]
    return min(visited, key=lambda point: point.shown_s or 0.0, default=None)


def _throughput(measured: Measured, verdict: Verdict) -> Iterator[Row]:
    for stage in measured.stages:
        facts = []
        if stage.rate is not None:
            per_second = units.count_text(stage.rate.value)
            facts.append(
                f"{per_second} {verdict.evidence.stages[stage.index].unit} per second {share_text(stage.rate)}"
            )
        if stage.energy_j is not None:
            facts.append(f"{energy_text(stage.energy_j.value)} each {share_text(stage.energy_j)}")
        if facts:
            yield _stage_name(verdict, stage.index), ", ".join(facts)


def energy_text(joule: float) -> str:
    """With the SI prefix that leaves one to three digits before the point: 84.1 pJ."""
    for prefix, scale in (("", 1.0), ("m", 1e-3), ("µ", 1e-6), ("n", 1e-9)):
        if joule >= scale:
            return f"{joule / scale:.3g} {prefix}J"
    return f"{joule / 1e-12:.3g} pJ"


def _heat(measured: Measured, verdict: Verdict) -> Iterator[Row]:
    for stage in measured.stages:
        if stage.heat is not None:
            yield _stage_name(verdict, stage.index), "; ".join(_stage_heat(stage.heat))
    if measured.heat is not None:
        yield from _run_heat(measured.heat, verdict)


def _stage_heat(heat: StageHeat) -> Iterator[str]:
    warm = [f"core {heat.core_c:.1f} °C"]
    warm += [] if heat.coolant_c is None else [f"coolant {heat.coolant_c:.1f} °C"]
    warm += [] if heat.power_w is None else [f"{heat.power_w:.1f} W"]
    yield ", ".join(warm)
    yield f"{SETTLED[heat.settled]} ({plus_minus(heat.slope_k_per_min)} K/min)"
    if heat.ends_c is not None:
        yield f"was on its way to {plus_minus(heat.ends_c)} °C"
    if heat.to_coolant_kw is not None:
        yield f"{plus_minus(heat.to_coolant_kw)} K/W to the coolant"
    if heat.to_ambient_kw is not None:
        yield f"{plus_minus(heat.to_ambient_kw)} K/W to the room"


def _run_heat(heat: Heat, verdict: Verdict) -> Iterator[Row]:
    if heat.path is not None:
        constant_s, shorter_s = heat.path.constant_s, heat.path.shorter_s
        shorter = "" if shorter_s is None else f" and {plus_minus(shorter_s)} s"
        settles = units.duration_text(round(_DISTANT * constant_s.value, -1))
        yield (
            "coolant to room",
            (
                f"{plus_minus(heat.path.resistance_kw)} K/W, time constant {plus_minus(constant_s)} s{shorter}: 99 % "
                f"after {settles}"
            ),
        )
        if heat.path.ambient_c is not None:
            yield "room", f"{plus_minus(heat.path.ambient_c)} °C, as it follows from the coolant's course"
    for head in headroom(verdict.bounds, verdict.evidence):
        come = f", once it has risen {head.to_come_k:.1f} K more" if head.to_come_k else ""
        room = f"room {heat.ambient_c:.1f} °C by the {heat.ambient_from}; each kelvin of it adds {heat.core_gain:.2f} K"
        yield "holds up to", f"a room of {head.room_c:.0f} °C: {head.bound.what} {head.bound.text}{come} ({room})"


def _electrical(electrical: Electrical | None, verdict: Verdict) -> Iterator[Row]:
    if electrical is None:
        return
    declared = verdict.sheet.voltages.load_line_mohm if verdict.sheet else None
    fitted = electrical.load_line
    if fitted is not None:
        said = "" if declared is None else f" ({declared:g} mΩ declared)"
        yield (
            "load line",
            (
                f"{plus_minus(fitted.resistance_mohm)} mΩ{said}, by {fitted.current_from}; the lowest mean of half "
                f"a minute {fitted.lowest_below_mv:.1f} mV below it"
            ),
        )
    elif electrical.load_line_absent and electrical.volts_s:
        yield "load line", f"not known: {electrical.load_line_absent}"
    if electrical.droop_unseen:
        yield "pulses", electrical.droop_unseen
    if electrical.clocks_s:
        yield "clocks", _residency(electrical.clocks_s, "MHz")
    if electrical.volts_s:
        yield "core voltage", _residency(electrical.volts_s, "mV")


def _residency(seconds: dict[int, float], unit: str) -> str:
    """Where most of the time was spent, by falling value."""
    whole = math.fsum(seconds.values())
    most = sorted(seconds, key=lambda edge: seconds[edge], reverse=True)[:_MOST_CLOCKS]
    told = [f"{edge} {unit} {_PERCENT * seconds[edge] / whole:.0f} %" for edge in sorted(most, reverse=True)]
    more = len(seconds) - len(most)
    return ", ".join(told) + (f", {more} more" if more else "")


def _stage_name(verdict: Verdict, index: int) -> str:
    return f"{index + 1} {verdict.evidence.stages[index].name}"
