"""Field types for quantities: read as "90 °C", kept as a number in the base unit, written as canonical text."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import BeforeValidator, PlainSerializer, ValidationInfo, WithJsonSchema

from soakd import units

if TYPE_CHECKING:
    from collections.abc import Callable


def _reader(
    dimension: units.Dimension, low: float, high: float, example: str
) -> Callable[[object, ValidationInfo], float]:
    """Text (from a file) or a number already in the base unit (from code) within bounds; everything else is refused."""

    def read(raw: object, info: ValidationInfo) -> float:
        if isinstance(raw, str):
            value = units.parse(raw, dimension)
        elif isinstance(raw, float) and info.mode == "python":
            value = raw
        else:
            raise ValueError(f'a {dimension.name} is text with a unit, such as "{example}"')
        if not low <= value <= high:
            raise ValueError(f"must lie between {_said(low, dimension)} and {_said(high, dimension)}")
        return value

    return read


def _said(bound: float, dimension: units.Dimension) -> str:
    """A bound as a person says it: 720 h and not 2592000 s."""
    if dimension is units.TIME:
        return units.duration_text(bound) if bound == 0.0 or bound >= 0.1 else f"{bound * 1e3:g} ms"
    return units.size_text(bound * 2**20) if dimension is units.DATA_SIZE else units.show(bound, dimension)


def _writer(dimension: units.Dimension) -> Callable[[float], str]:
    return lambda value: units.show(value, dimension)


def _schema(dimension: units.Dimension, example: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "description": f"a {dimension.name} with its unit", "examples": [example]})


DurationS = Annotated[
    float,
    BeforeValidator(_reader(units.TIME, 0.0, 30 * 86_400.0, "3 min")),
    PlainSerializer(_writer(units.TIME)),
    _schema(units.TIME, "3 min"),
]
AgeS = Annotated[
    float,
    BeforeValidator(_reader(units.TIME, 86_400.0, 3660 * 86_400.0, "30 d")),
    PlainSerializer(_writer(units.TIME)),
    _schema(units.TIME, "30 d"),
]
"""How long something is kept: from a day to ten years."""
HoldS = Annotated[
    float,
    BeforeValidator(_reader(units.TIME, 0.0, 60.0, "5 s")),
    PlainSerializer(_writer(units.TIME)),
    _schema(units.TIME, "5 s"),
]
"""How long something dangerous may go on; no longer than a minute."""
IntervalS = Annotated[
    float,
    BeforeValidator(_reader(units.TIME, 0.001, 10.0, "20 ms")),
    PlainSerializer(_writer(units.TIME)),
    _schema(units.TIME, "20 ms"),
]
"""A load that comes and goes faster than anybody walks; longer ones are stages."""
OnPercent = Annotated[
    float,
    BeforeValidator(_reader(units.SHARE, 10.0, 90.0, "50 %")),
    PlainSerializer(_writer(units.SHARE)),
    _schema(units.SHARE, "50 %"),
]
FloorPercent = Annotated[
    float,
    BeforeValidator(_reader(units.SHARE, 50.0, 100.0, "95 %")),
    PlainSerializer(_writer(units.SHARE)),
    _schema(units.SHARE, "95 %"),
]
TickS = Annotated[
    float,
    BeforeValidator(_reader(units.TIME, 0.1, 10.0, "1 s")),
    PlainSerializer(_writer(units.TIME)),
    _schema(units.TIME, "1 s"),
]
SharePercent = Annotated[
    float,
    BeforeValidator(_reader(units.SHARE, 0.0, 100.0, "95 %")),
    PlainSerializer(_writer(units.SHARE)),
    _schema(units.SHARE, "95 %"),
]
MemorySharePercent = Annotated[
    float,
    BeforeValidator(_reader(units.SHARE, 0.1, 95.0, "60 %")),
    PlainSerializer(_writer(units.SHARE)),
    _schema(units.SHARE, "60 %"),
]
MarginK = Annotated[
    float,
    BeforeValidator(_reader(units.TEMPERATURE_DIFFERENCE, 0.0, 60.0, "5 K")),
    PlainSerializer(_writer(units.TEMPERATURE_DIFFERENCE)),
    _schema(units.TEMPERATURE_DIFFERENCE, "5 K"),
]
SizeMib = Annotated[
    float,
    BeforeValidator(_reader(units.DATA_SIZE, 0.0, 2.0**30, "16 MiB")),
    PlainSerializer(_writer(units.DATA_SIZE)),
    _schema(units.DATA_SIZE, "16 MiB"),
]
