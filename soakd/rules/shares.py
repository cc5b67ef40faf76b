"""What trials that go well or badly tell of the share that goes badly (binomial; C. Clopper, E. Pearson, 1934)."""

from __future__ import annotations

import math

from soakd.rules.tails import beta_place


def share_at_most(bad: int, trials: int, confidence: float) -> float:
    """One-sided upper bound of the share."""
    return 1.0 if bad == trials else beta_place(bad + 1, trials - bad, confidence)


def share_at_least(bad: int, trials: int, confidence: float) -> float:
    """One-sided lower bound of the share."""
    return 0.0 if not bad else beta_place(bad, trials - bad + 1, 1.0 - confidence)


def share_between(bad: int, trials: int, confidence: float) -> tuple[float, float]:
    """Both at once: half of what is not sure on either side."""
    each = 0.5 + confidence / 2.0
    return share_at_least(bad, trials, each), share_at_most(bad, trials, each)


def clean_trials(good_share: float, confidence: float) -> int:
    """Trials without a bad one that show this share of good ones (success run)."""
    return math.ceil(math.log1p(-confidence) / math.log(good_share))
