"""How far the first start has come."""

from __future__ import annotations

from typing import Literal

from soakd.model.base import Value

StepName = Literal["cautions", "sensors", "limits", "doctor", "drill", "sheet", "plan"]
Did = Literal["done", "skipped", "again"]
"""again: it is open once more."""


class Begun(Value):
    """What is remembered of it."""

    acknowledged_utc: str | None = None
    """When the cautions were acknowledged; nothing is queued from the first start before that."""
    seen: tuple[StepName, ...] = ()
    """Steps that somebody called done."""
    skipped: tuple[StepName, ...] = ()
    sheet: str | None = None
    """The stored sheet that was chosen: own/trial-1."""
    plan: str | None = None
    """Likewise of the plan."""
