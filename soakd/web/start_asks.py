"""What the page of the first start sends."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from pydantic import Field

from soakd.model.base import Value
from soakd.model.begun import Did, StepName
from soakd.web.problems import ProblemError

Text = Annotated[str, Field(max_length=200_000)]
Key = Annotated[str, Field(max_length=200)]
_MOST_HOURS = 720.0


class StepAsk(Value):
    """A step that is done, left out, or open again."""

    step: StepName
    did: Did


class SheetAsk(Value):
    """A sheet as it stands in the form; kept where it has a name."""

    text: Text
    name: Key = ""


class PlanAsk(Value):
    """A plan likewise."""

    text: Text
    name: Key


class DraftAsk(Value):
    """A plan that is to be drafted."""

    sheet: Key
    hours: Annotated[str, Field(max_length=20)]


class ChoiceAsk(Value):
    """What is chosen of what is stored; without a plan only the sheet is noted."""

    sheet: Key | None = None
    plan: Key | None = None


def hours_of(text: str) -> float:
    """A number of hours, with a point or a comma before the decimals. Raises ProblemError."""
    plain = text.strip()
    try:
        hours = float(plain.replace(",", ".")) if plain.isascii() and "_" not in plain else None
    except ValueError:
        hours = None
    if hours is None or not 0.0 < hours <= _MOST_HOURS:
        raise ProblemError(
            HTTPStatus.UNPROCESSABLE_ENTITY, "usage", f"hours: “{text}” is no number of hours up to {_MOST_HOURS:.0f}",
            hint="write 8, 1.5 or 1,5; no thousands are parted off",
        )  # fmt: skip
    return hours
