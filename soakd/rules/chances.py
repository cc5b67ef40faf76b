"""How likely chance alone puts wrong results where they were, and how sure that makes a lead.

Given how many errors of constant rate there were, how many of them fall on one part of the load is binomial, by that
part's share of it (J. Przyborowski, H. Wilenski, "Homogeneity of results in testing samples from Poisson series",
Biometrika 31 (1940) 313; from memory). Who looks at several places may find by chance in one of them what is rare in
each: the chances add up at most (Bonferroni's inequality; textbook).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from soakd.model.lead import Confidence

STRONG: Final = 0.001
FAIR: Final = 0.01
WEAK: Final = 0.05
_WORDS: Final[tuple[tuple[float, Confidence], ...]] = ((STRONG, "strong"), (FAIR, "fair"), (WEAK, "weak"))


def at_least(count: int, of: int, share: float) -> float:
    """The chance that `count` or more of so many errors fall on a part with this share of the load."""
    if count <= 0 or share >= 1.0:
        return 1.0
    if share <= 0.0:
        return 0.0
    return min(1.0, math.fsum(_exactly(k, of, share) for k in range(count, of + 1)))


def _exactly(count: int, of: int, share: float) -> float:
    ways = math.lgamma(of + 1) - math.lgamma(count + 1) - math.lgamma(of - count + 1)
    return math.exp(ways + count * math.log(share) + (of - count) * math.log1p(-share))


def confidence(chance: float) -> Confidence | None:
    """None where chance alone does the like more often than once in 20."""
    return next((word for most, word in _WORDS if chance <= most), None)


def chance_text(chance: float) -> str:
    """1 in 3,400; 1 in 2 million; less than 1 in a billion."""
    if chance < 1e-9:
        return "less than 1 in a billion"
    odds = 1.0 / chance
    if odds >= 1e6:
        return f"1 in {odds / 1e6:.3g} million"
    digits = max(0, math.floor(math.log10(odds)) - 1)
    return f"1 in {round(odds, -digits):,.0f}" if odds >= 10.0 else f"1 in {odds:.1f}"
