"""A cause worth looking at next, with the evidence that points to it; no part of a verdict, worked out when asked."""

from __future__ import annotations

from typing import Literal

from soakd.model.base import Value

Confidence = Literal["seen", "strong", "fair", "weak", "open"]
"""`seen`: a reading or a finding says it itself. `strong`, `fair`, `weak`: chance alone does the like at most once in
1,000, in 100, in 20, with all places that were looked at counted. `open`: causes that this run does not tell apart."""
LeadName = Literal[
    "one-core-fast", "one-core-wide", "one-core-hot", "one-core-heavy", "one-core-group", "one-core-pulses",
    "one-core-exchange", "one-core-everywhere", "one-core",
    "fast", "wide", "hot", "heavy", "group", "pulses", "exchange", "everywhere", "not-told-apart",
    "memory", "memory-lane",
    "machine-checks", "memory-corrected", "memory-uncorrected",
    "went-down-light", "went-down-heavy", "went-down-hot", "went-down",
    "clock-heat", "clock-power", "clock-reference", "clock-host", "clock-unknown", "clock-faster",
    "pump", "fans", "heating-on", "heat", "sensor-lost",
]  # fmt: skip


class Lead(Value):
    """One of them."""

    name: LeadName
    statement: str
    confidence: Confidence
    evidence: tuple[str, ...]
    """Numbers of this run, each with where it is from."""
    try_next: str
    """What a tuner would try, within the makers' limits."""
    refuted_by: str
    """What would be seen if the statement were wrong."""
    beside: tuple[LeadName, ...] = ()
    """Other causes that fit as well; what would tell them apart stands in `refuted_by`."""
