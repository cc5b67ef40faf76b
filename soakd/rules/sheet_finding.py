"""What is found wrong with a sheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterable


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFinding:
    """One thing."""

    rule: str
    weight: Literal["refused", "warned"]
    """refused: it contradicts itself or the bench, or could never hold, so that no run can prove it. warned: it may be
    meant, or nothing can be said."""
    place: str
    """As `sheet_fields` names it."""
    text: str
    """What is wrong, and what would be right."""


def refused(rule: str, place: str, text: str) -> SheetFinding:
    return SheetFinding(rule=rule, weight="refused", place=place, text=text)


def warned(rule: str, place: str, text: str) -> SheetFinding:
    return SheetFinding(rule=rule, weight="warned", place=place, text=text)


def refusals(found: Iterable[SheetFinding]) -> list[SheetFinding]:
    """Those with which no run is started."""
    return [finding for finding in found if finding.weight == "refused"]
