"""What one stage of steady load tells of the heat: settled or not, thermal resistances, where it was going.

Thermal resistance is (T_J - T_X) / P once nothing changes any more (JESD51-1, as vendors' notes report it; the standard
itself was not read). P is what the package took, and T_J the hottest sensor of the processor: with single cores loaded
it is that core's own path. Called settled: less than 1 K in ten minutes (common practice, no source).

To the scatter of the readings comes what no repetition shows: a reading may be off by half its finest step, and what is
called settled may still move (rectangular distributions, JCGM 100:2008, 4.3.7; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from soakd.model.measured import Estimate, StageHeat
from soakd.rules.demonstration import CONFIDENCE
from soakd.rules.estimates import FEWEST, half_width, mean, ratio
from soakd.rules.heat_path import likeness
from soakd.rules.heating import fit as fit_curve
from soakd.rules.lines import line

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

SETTLED_K_PER_MIN: Final = 0.1
_CURVE_POINTS: Final = 240
_STRETCHES: Final = 24
_SURE: Final = 0.25
"""Share of the way there by which the end of a curve may be unsure."""
_LEAST_W: Final = 1.0
_STILL_MIN: Final = 10.0
"""What it is called settled over."""


@dataclass(frozen=True, slots=True)
class Course:
    """One stage's ticks, oldest first; a list is empty where the channel was not read throughout."""

    moments_s: Sequence[float]
    core_c: Sequence[float]
    coolant_c: Sequence[float]
    ambient_c: Sequence[float]
    power_w: Sequence[float]
    steps: Mapping[str, float]
    """The finest step that the readings of each of these show over the whole run, by the names above."""


def stage_heat(course: Course) -> StageHeat | None:
    """None for too few readings."""
    last = len(course.core_c) // 3
    if last < FEWEST:
        return None
    core_c, coolant_c, ambient_c, power_w = (
        list(values[-last:]) for values in (course.core_c, course.coolant_c, course.ambient_c, course.power_w)
    )
    moments_s = course.moments_s[-last:]
    slope = slope_k_per_min(moments_s, core_c)
    is_settled = settled(slope)
    over_k, above_k = _less(core_c, coolant_c), _less(core_c, ambient_c)
    to_coolant_kw = to_ambient_kw = None
    if over_k and power_w and settled(slope_k_per_min(moments_s, over_k)):
        to_coolant_kw = _resistance(over_k, power_w, course.steps, "coolant_c")
    if above_k and power_w and is_settled:
        to_ambient_kw = _resistance(above_k, power_w, course.steps, "ambient_c", _STILL_MIN * abs(slope.value))
    return StageHeat(
        core_c=_plain(core_c) or 0.0,
        coolant_c=_plain(coolant_c),
        ambient_c=_plain(ambient_c),
        power_w=_plain(power_w),
        slope_k_per_min=slope,
        settled=is_settled,
        ends_c=None if is_settled else _ends(course),
        to_coolant_kw=to_coolant_kw,
        to_ambient_kw=to_ambient_kw,
    )


def slope_k_per_min(moments_s: Sequence[float], values_c: Sequence[float]) -> Estimate:
    """Of a line through the means of stretches; their likeness counts."""
    edges = [len(values_c) * n // _STRETCHES for n in range(_STRETCHES + 1)]
    pairs = list(pairwise(edges))
    at_min = [math.fsum(moments_s[begin:end]) / (end - begin) / 60.0 for begin, end in pairs]
    means_c = [math.fsum(values_c[begin:end]) / (end - begin) for begin, end in pairs]
    fitted = line(at_min, means_c)
    alike = likeness([c - fitted.at(at) for at, c in zip(at_min, means_c, strict=True)])
    freedom = max(1.0, fitted.freedom / alike)
    return Estimate(value=fitted.slope, sd=fitted.slope_sd * math.sqrt(alike), freedom=freedom)


def settled(slope: Estimate) -> bool | None:
    """None where the readings scatter too much to tell."""
    half = half_width(slope, CONFIDENCE)
    if abs(slope.value) + half <= SETTLED_K_PER_MIN:
        return True
    return False if abs(slope.value) - half > SETTLED_K_PER_MIN else None


def _ends(course: Course) -> Estimate | None:
    """Of the heating curve; None where the readings do not follow one to its end."""
    size = max(1, len(course.core_c) // _CURVE_POINTS)
    thinned = [
        (
            math.fsum(course.moments_s[begin : begin + size]) / size,
            math.fsum(course.core_c[begin : begin + size]) / size,
        )
        for begin in range(0, len(course.core_c) - size + 1, size)
    ]
    return curve_end(thinned[len(thinned) // 4 :])


def curve_end(trace: list[tuple[float, float]]) -> Estimate | None:
    """Where the curve through these moments and temperatures ends."""
    curve = fit_curve(trace)
    if curve is None or not curve.follows or curve.settles_c is None or curve.covariance is None:
        return None
    far_s = 20.0 / curve.bend_per_s
    sd = curve.unsure_k(far_s)
    if sd > max(1.0, _SURE * abs(curve.settles_c - trace[0][1])):
        return None
    return Estimate(value=curve.settles_c, sd=sd, freedom=len(trace) - 3.0)


def _resistance(
    differences_k: Sequence[float], power_w: Sequence[float], steps: Mapping[str, float], to: str, moves_k: float = 0.0
) -> Estimate | None:
    """`moves_k`: by how much the difference may still move."""
    watts = math.fsum(power_w) / len(power_w)
    found = ratio(differences_k, power_w) if watts > _LEAST_W else None
    if found is None:
        return None
    halves = (steps["core_c"], steps[to], 2.0 * moves_k, found.value * steps["power_w"])
    sd = math.hypot(found.sd, math.hypot(*halves) / watts / math.sqrt(12.0))
    share = (found.sd / sd) ** 4 if sd else 1.0
    return Estimate(value=found.value, sd=sd, freedom=found.freedom / max(share, 1e-6))


def finest_step(values: Sequence[float]) -> float:
    """The finest step that readings show; 0 where they never change."""
    told = sorted({round(value, 6) for value in values})
    return min((later - sooner for sooner, later in pairwise(told)), default=0.0)


def _less(values: Sequence[float], others: Sequence[float]) -> list[float]:
    return [value - other for value, other in zip(values, others, strict=True)] if others else []


def _plain(values: Sequence[float]) -> float | None:
    found = mean(values)
    return None if found is None else found.value
