"""Field types for quantities: read as "90 °C", kept as a number in the base unit, written as canonical text."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import BeforeValidator, PlainSerializer, WithJsonSchema

from soakd import units

if TYPE_CHECKING:
    from collections.abc import Callable


def _reader(dimension: units.Dimension, low: float, high: float) -> Callable[[object], float]:
    """Text (from a file) or a number already in the base unit (from code) within bounds; everything else is refused."""

    def read(raw: object) -> float:
        if isinstance(raw, str):
            value = units.parse(raw, dimension)
        elif isinstance(raw, float):
            value = raw
        else:
            raise ValueError(f'a {dimension.name} is text with a unit, such as "{units.show(high, dimension)}"')  # noqa: TRY004
        if not low <= value <= high:
            raise ValueError(f"must lie between {units.show(low, dimension)} and {units.show(high, dimension)}")
        return value

    return read


def _writer(dimension: units.Dimension) -> Callable[[float], str]:
    return lambda value: units.show(value, dimension)


def _schema(dimension: units.Dimension, example: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "description": f"a {dimension.name} with its unit", "examples": [example]})


DurationS = Annotated[
    float,
    BeforeValidator(_reader(units.TIME, 0.0, 30 * 86_400.0)),
    PlainSerializer(_writer(units.TIME)),
    _schema(units.TIME, "3 min"),
]
TickS = Annotated[
    float,
    BeforeValidator(_reader(units.TIME, 0.1, 10.0)),
    PlainSerializer(_writer(units.TIME)),
    _schema(units.TIME, "1 s"),
]
SharePercent = Annotated[
    float,
    BeforeValidator(_reader(units.SHARE, 0.0, 100.0)),
    PlainSerializer(_writer(units.SHARE)),
    _schema(units.SHARE, "95 %"),
]
MemorySharePercent = Annotated[
    float,
    BeforeValidator(_reader(units.SHARE, 0.1, 95.0)),
    PlainSerializer(_writer(units.SHARE)),
    _schema(units.SHARE, "60 %"),
]
MarginK = Annotated[
    float,
    BeforeValidator(_reader(units.TEMPERATURE_DIFFERENCE, 0.0, 60.0)),
    PlainSerializer(_writer(units.TEMPERATURE_DIFFERENCE)),
    _schema(units.TEMPERATURE_DIFFERENCE, "5 K"),
]
SizeMib = Annotated[
    float,
    BeforeValidator(_reader(units.DATA_SIZE, 0.0, 2.0**30)),
    PlainSerializer(_writer(units.DATA_SIZE)),
    _schema(units.DATA_SIZE, "16 MiB"),
]
