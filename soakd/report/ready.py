"""What the answers of `soakd doctor` come to."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable


def ready_text(states: Iterable[str]) -> str:
    """`states`: good, weak or bad, one for each answer."""
    if "bad" in states:
        return "Not ready to be left alone."
    return "Nothing bad found; `weak` lines say what a night here cannot show."
