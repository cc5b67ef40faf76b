"""The shape that every stored or read value shares: frozen, no unknown key, no guessed conversion."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


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
