"""Leads for the terminal and for machines: caution first, then each with its evidence."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any, Final

from rich.console import Group
from rich.text import Text

from soakd.rules.leads import leads

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.lead import Lead
    from soakd.model.verdict import Verdict

CAUTION: Final = (
    "Hints of where to look, and no findings. One change at a time, within the makers' limits; lower a ratio before "
    "you raise a voltage, which costs heat and life. Then soak again."
)
NONE: Final = "nothing in the evidence points anywhere"
SAYING: Final = {
    "seen": "seen: a reading or a finding says so",
    "strong": "strong: chance does the like at most once in 1,000",
    "fair": "fair: chance does the like at most once in 100",
    "weak": "weak: chance does the like up to once in 20",
    "open": "open: this run does not tell the causes apart",
}
_WIDTH: Final = 78
"""Of a line; a section moves it two places in."""
_KEY: Final = 12


def leads_text(verdict: Verdict) -> Group:
    """All of them, or that there is none."""
    return Group(*(leads_parts(verdict) or [Text(NONE)]))


def leads_parts(verdict: Verdict) -> list[Text]:
    """Empty where there is no lead."""
    found = leads(verdict)
    if not found:
        return []
    return [Text(_wrapped(CAUTION), style="dim italic"), *(part for lead in found for part in _lead(lead))]


def leads_json(verdict: Verdict) -> dict[str, Any]:
    """The same for machines."""
    return {"run": verdict.run_id, "leads": [lead.model_dump(mode="json") for lead in leads(verdict)]}


def _lead(lead: Lead) -> Iterator[Text]:
    yield Text("\n" + _wrapped(f"• {lead.statement}", "  "), style="bold")
    yield _row("sure", SAYING[lead.confidence])
    for line in lead.evidence:
        yield _row("seen here", line)
    yield _row("try", lead.try_next)
    yield _row("refuted by", lead.refuted_by)


def _row(key: str, value: str) -> Text:
    return Text(_wrapped(f"  {key:<{_KEY}}{value}", " " * (_KEY + 2)))


def _wrapped(text: str, rest: str = "") -> str:
    return textwrap.fill(text, _WIDTH, subsequent_indent=rest, break_on_hyphens=False, break_long_words=False)
