"""One thing that was found, with all that is needed to act on it: the unit of every reason in a verdict."""

from __future__ import annotations

from typing import Literal

from soakd.model.base import Value

Weight = Literal["fail", "inconclusive", "note"]


class WrongResult(Value):
    """A result that differs from its closed form. Patterns are hexadecimal text: they exceed what JSON numbers hold."""

    workload: str
    instruction_class: str
    round: int
    where: str
    """Place inside the workload: stream, lane, or byte of the tested memory."""
    expected: str
    actual: str
    flipped: str
    """Exclusive or of the two: the bits that are wrong."""


class NearReading(Value):
    """What was read nearest to a moment: the highest of its role."""

    channel: str
    role: str
    value: float
    """In the role's unit."""
    apart_s: float
    """Time between the two."""


class Finding(Value):
    """A rule that spoke, why, and when."""

    rule: str
    weight: Weight
    """What it makes of the outcome; a note changes nothing."""
    text: str
    at_s: float | None = None
    """Seconds since the run started."""
    stage: int | None = None
    core: int | None = None
    channel: str | None = None
    sample: float | None = None
    bound: float | None = None
    unit: str = ""
    limit: int | None = None
    """Which of the run's bounds, counted from nought."""
    wrong: WrongResult | None = None
    temperature: NearReading | None = None
    """Of errors under load: the processor's; in memory stages the memory's, where it is read."""
