"""The settings as the tuner declares them."""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import BeforeValidator, Field, StrictBool, StrictFloat, StrictInt, StrictStr

from soakd import units
from soakd.model.base import Value

LARGEST_EXACT = 2**53 - 1
"""RFC 8785 section 3.2.2.3: JSON numbers are IEEE 754 doubles; beyond this, neighbours become equal."""


def _canonical(raw: object) -> object:
    """Text that starts with a number is a quantity: keep it in its base unit, so that spelling does not matter."""
    if not isinstance(raw, bool | int | float | str) or (isinstance(raw, float) and not math.isfinite(raw)):
        raise ValueError('must be text ("1.2 V", or words), a finite number, or true or false')
    if isinstance(raw, int) and not isinstance(raw, bool) and abs(raw) > LARGEST_EXACT:
        raise ValueError(f"a whole number beyond {LARGEST_EXACT} has no exact place in JSON; write it as text")
    return (units.parse_any(raw) or raw.strip()) if isinstance(raw, str) else raw


Declared = Annotated[StrictBool | StrictInt | StrictFloat | StrictStr, BeforeValidator(_canonical)]


class Sheet(Value):
    """What the operating system cannot see, and what the tuner wants held against what it can."""

    version: Annotated[int, Field(ge=1, le=1)]
    """Version of this file format."""
    name: Annotated[str, Field(min_length=1, max_length=120)]
    note: str = ""
    """Free text for the tuner; part of the record, not of the fingerprint."""
    values: dict[str, Declared] = Field(default_factory=dict)
    """Trade term to quantity with unit, count, yes/no or text. What is not declared is not claimed."""
