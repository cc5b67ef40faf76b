"""Load line, and the time spent at each clock and voltage.

The voltage at the pins falls with the current: V = V_set - R I (textbook form). V_set is another one for each clock
and set of loaded cores, so pairs of readings are compared within such a group only: each group's means are taken out,
and one line through the origin fits what is left (analysis of covariance; textbook form). Readings resemble their
neighbours, so they are taken as means of half a minute.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from soakd.model.measured import Estimate, LoadLine
from soakd.rules.heat_path import likeness
from soakd.rules.lines import line_through_origin

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from soakd.model.plan import Stage

CLOCK_STEP_MHZ: Final = 25
VOLT_STEP_MV: Final = 10
MEANS_S: Final = 30.0
LEAST_SPAN_A: Final = 2.0
"""Less of a change of current within the groups tells no load line (common practice, no source)."""
FEWEST_PAIRS: Final = 12
_TICKS_IN_A_PULSE: Final = 2.0

Pair = tuple[float, float]
"""Current and voltage."""


def load_line(groups: Iterable[Sequence[Pair]], current_from: str, step_v: float) -> LoadLine | str:
    """Of the pairs at equal clocks, in order of time; a text that says why there is none.

    `step_v`: the finest step of the voltage's readings, half of which no repetition shows.
    """
    currents_a: list[float] = []
    volts: list[float] = []
    count = 0
    for pairs in groups:
        if len(pairs) >= 2:
            count += 1
            mean_a = math.fsum(amps for amps, _ in pairs) / len(pairs)
            mean_v = math.fsum(v for _, v in pairs) / len(pairs)
            currents_a += [amps - mean_a for amps, _ in pairs]
            volts += [v - mean_v for _, v in pairs]
    span_a = max(currents_a, default=0.0) - min(currents_a, default=0.0)
    if len(currents_a) - count < FEWEST_PAIRS:
        return "too few readings of voltage and current at one clock"
    if span_a < LEAST_SPAN_A:
        return f"at one clock the current changed by {span_a:.1f} A only"
    fitted = line_through_origin(currents_a, volts)
    freedom = len(currents_a) - count - 1.0
    residuals = [v - fitted.slope * amps for amps, v in zip(currents_a, volts, strict=True)]
    alike = likeness(residuals)
    scatter_a = math.sqrt(math.fsum(amps * amps for amps in currents_a) / len(currents_a))
    random_ohm = fitted.slope_sd * math.sqrt(fitted.freedom / freedom * alike)
    sd = math.hypot(random_ohm, step_v / math.sqrt(12.0) / scatter_a)
    return LoadLine(
        resistance_mohm=Estimate(value=-1000.0 * fitted.slope, sd=1000.0 * sd, freedom=max(1.0, freedom / alike)),
        pairs=len(currents_a),
        groups=count,
        current_from=current_from,
        lowest_below_mv=1000.0 * max(0.0, -min(residuals)),
    )


def unseen_pulses(stages: Iterable[Stage], tick_s: float) -> str | None:
    """Why drops at the edges of pulses cannot be in the readings; None where no stage has any, or they can."""
    short_s = [
        min(stage.period_s * stage.on_percent, stage.period_s * (100.0 - stage.on_percent)) / 100.0
        for stage in stages
        if stage.pattern == "pulsed" and stage.period_s and stage.on_percent
    ]
    if not short_s or min(short_s) >= _TICKS_IN_A_PULSE * tick_s:
        return None
    return (
        f"pulses of {min(short_s) * 1000.0:g} ms fall between readings every {tick_s:g} s: a drop at their edges needs "
        "an oscilloscope at the socket"
    )


def means(times_s: Sequence[float], currents_a: Sequence[float], volts: Sequence[float]) -> list[Pair]:
    """Of half a minute each."""
    found: list[Pair] = []
    begin = 0
    for place in range(1, len(times_s) + 1):
        if place == len(times_s) or times_s[place] - times_s[begin] >= MEANS_S:
            count = place - begin
            found.append((math.fsum(currents_a[begin:place]) / count, math.fsum(volts[begin:place]) / count))
            begin = place
    return found
