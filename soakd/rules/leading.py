"""Makes a lead of its words and its evidence."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.model.lead import Lead
from soakd.rules.lead_words import WORDS

if TYPE_CHECKING:
    from collections.abc import Iterable

    from soakd.model.lead import Confidence, LeadName


def led(
    name: LeadName, *, sure: Confidence, evidence: Iterable[str], who: str = "", beside: tuple[LeadName, ...] = ()
) -> Lead:
    """`who`: the cores that a statement speaks of. With others `beside` it, what refutes it tells it from them."""
    words = WORDS[name]
    statement = words.statement.replace("{who}", who)
    if beside:
        others = "; or ".join(_begun(WORDS[other].statement.replace("{who}", who)) for other in beside)
        statement = f"Not told apart: {_begun(statement)}; or {others}"
    return Lead(
        name=name,
        statement=statement,
        confidence=sure,
        evidence=tuple(evidence),
        try_next=words.try_next,
        refuted_by="; ".join(dict.fromkeys([words.refuted_by, *(WORDS[other].refuted_by for other in beside)])),
        beside=beside,
    )


def _begun(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]
