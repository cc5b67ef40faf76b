"""Leads: what the evidence of one verdict says of where to look next. Rules of the trade, each with its numbers.

Worked out from the verdict when somebody asks; nothing of it is kept, and nothing of it decides an outcome.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.rules.lead_signs import clock_leads, counted_leads, heat_leads, sensor_leads, went_down_leads
from soakd.rules.lead_wrong import wrong_leads

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from soakd.model.lead import Lead
    from soakd.model.verdict import Verdict

RULES: tuple[Callable[[Verdict], Iterator[Lead]], ...] = (
    wrong_leads,
    went_down_leads,
    counted_leads,
    heat_leads,
    sensor_leads,
    clock_leads,
)


def leads(verdict: Verdict) -> tuple[Lead, ...]:
    """Gravest first; empty where nothing points anywhere, and for a drill, whose fault was planted."""
    return () if verdict.drill else tuple(lead for rule in RULES for lead in rule(verdict))
