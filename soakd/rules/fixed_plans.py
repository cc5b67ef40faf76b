"""Published tests of fixed length: MIL-HDBK-781A, plans IX-D to XXI-D (from memory; each one's printed risks follow).

A test lasts so many times the lower mean θ1 and rejects at a number of errors. The producer's risk is to reject where
the mean is d θ1, the consumer's to accept where it is θ1; both are Poisson chances.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from soakd.rules.tails import gamma_tails


class FixedPlan(NamedTuple):
    """One of them."""

    name: str
    ratio: float
    """d, the upper mean over the lower one."""
    length: float
    """Times the lower mean."""
    rejects_at: int
    """Errors."""

    @property
    def producer_risk(self) -> float:
        """To reject at the upper mean."""
        return gamma_tails(self.rejects_at, self.length / self.ratio)[0]

    @property
    def consumer_risk(self) -> float:
        """To accept at the lower mean."""
        return gamma_tails(self.rejects_at, self.length)[1]


FIXED_PLANS: Final = (
    FixedPlan("IX-D", 1.5, 45.0, 37),
    FixedPlan("X-D", 1.5, 29.9, 26),
    FixedPlan("XI-D", 1.5, 21.5, 18),
    FixedPlan("XII-D", 2.0, 18.8, 14),
    FixedPlan("XIII-D", 2.0, 12.4, 10),
    FixedPlan("XIV-D", 2.0, 7.8, 6),
    FixedPlan("XV-D", 3.0, 9.3, 6),
    FixedPlan("XVI-D", 3.0, 5.4, 4),
    FixedPlan("XVII-D", 3.0, 4.3, 3),
    FixedPlan("XIX-D", 1.5, 8.1, 7),
    FixedPlan("XX-D", 2.0, 3.7, 3),
    FixedPlan("XXI-D", 3.0, 1.1, 1),
)
