"""What a time with few errors or none demonstrates, and what it does not.

Errors that come at a constant rate, independently, are a Poisson count. For r errors in a fixed time T the mean time
between them is at least 2 T / chi-square of 2 r + 2 degrees of freedom at a confidence C, and at most 2 T / chi-square
of 2 r degrees (NIST/SEMATECH e-Handbook 8.4.5.1). Half a chi-square of 2 a degrees is a gamma place of shape a. A count
moves in steps, so the bound holds with at least C; where a test ends with its r-th error 2 r takes the place of 2 r + 2
and it holds with C exactly. Nothing is said of other temperatures, of points that were not visited, or of wear.
"""

from __future__ import annotations

import math
from typing import Final

from soakd.rules.tails import gamma_place

CONFIDENCE: Final = 0.95
"""Of what a verdict says, as of what a plan promises."""


def shown_mean_s(time_s: float, confidence: float, errors: int = 0, *, ended_by_error: bool = False) -> float:
    """The mean time between errors that this demonstrates at least; 0 < confidence < 1.

    A run that stopped at its error may be taken as one of fixed time: that is on the safe side.
    """
    shape = errors + (not ended_by_error)
    return time_s / gamma_place(shape, 1.0 - confidence, above=True)


def most_mean_s(time_s: float, confidence: float, errors: int) -> float:
    """The mean time between errors that it can be at most; infinite without any."""
    return time_s / gamma_place(errors, 1.0 - confidence, above=False) if errors else math.inf


def mean_between_s(time_s: float, confidence: float, errors: int) -> tuple[float, float]:
    """Both at once: half of what is not sure on either side. Without errors only the lower one says anything."""
    each = 0.5 + confidence / 2.0
    return shown_mean_s(time_s, each, errors), most_mean_s(time_s, each, errors)


def needed_s(mean_s: float, confidence: float, errors: int = 0) -> float:
    """The time that demonstrates this mean if no more errors come in it."""
    return mean_s * gamma_place(errors + 1, 1.0 - confidence, above=True)


def chance_to_see(mean_s: float, watched_s: float) -> float:
    """The chance that at least one error of this mean time between errors comes while it is watched (Poisson)."""
    return -math.expm1(-watched_s / mean_s)
