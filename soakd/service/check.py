"""One answer of `soakd doctor`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One question about the bench."""

    name: str
    state: Literal["good", "weak", "bad"]
    """weak: a night can be run and means less; bad: do not leave this bench alone."""
    text: str
    remedy: str = ""
