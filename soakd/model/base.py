"""The shape that every stored or read value shares: frozen, no unknown key, no guessed conversion."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict


class Value(BaseModel):
    """Frozen and strict; input names are the keys of the file, output uses the same ones."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        strict=True,
        allow_inf_nan=False,
        serialize_by_alias=True,
        validate_by_alias=True,
        validate_by_name=True,
        ser_json_inf_nan="null",
    )


def _whole(value: object) -> object:
    return int(value) if isinstance(value, str) and value.isascii() and value.isdecimal() else value


Count = Annotated[int, BeforeValidator(_whole)]
"""A whole number that may pass 2^53 - 1: in canonical JSON it is text from there on (RFC 8785 appendix D)."""
