"""What a time without a single error demonstrates, and what it does not.

For a constant error rate and zero errors in a time T, the mean time between errors is at least T / -ln(1 - C) at a
confidence C (NIST/SEMATECH e-Handbook 8.4.5.1: a test for a fixed time without failures has this one-sided bound).
"""

from __future__ import annotations

import math


def shown_mean_s(clean_s: float, confidence: float) -> float:
    """The mean time between errors that so long a time without one demonstrates; 0 < confidence < 1."""
    return clean_s / -math.log1p(-confidence)


def needed_s(mean_s: float, confidence: float) -> float:
    """The time without an error that demonstrates this mean."""
    return mean_s * -math.log1p(-confidence)


def chance_to_see(mean_s: float, watched_s: float) -> float:
    """The chance that at least one error of this mean time between errors comes while it is watched (Poisson)."""
    return -math.expm1(-watched_s / mean_s)
