"""Field types for quantities: read as "90 °C", kept as a number in the base unit, written as canonical text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

from annotated_types import GroupedMetadata
from pydantic import BeforeValidator, PlainSerializer, ValidationInfo, WithJsonSchema

from soakd import units

if TYPE_CHECKING:
    from collections.abc import Iterator


@dataclass(frozen=True, eq=False)
class Quantity(GroupedMetadata):
    """A field's dimension, its bounds in the base unit, and an example to quote when a value is refused."""

    dimension: units.Dimension
    low: float
    high: float
    example: str

    def __iter__(self) -> Iterator[object]:
        yield BeforeValidator(self._read)
        yield PlainSerializer(self._write)
        description = f"a {self.dimension.name} with its unit"
        yield WithJsonSchema({"type": "string", "description": description, "examples": [self.example]})

    def _read(self, raw: object, info: ValidationInfo) -> float:
        """Text (from a file) or a number already in the base unit (from code) within bounds; all else is refused."""
        if isinstance(raw, str):
            value = units.parse(raw, self.dimension)
        elif isinstance(raw, float) and info.mode == "python":
            value = raw
        else:
            raise ValueError(f'a {self.dimension.name} is text with a unit, such as "{self.example}"')
        if not self.low <= value <= self.high:
            raise ValueError(f"must lie between {self._said(self.low)} and {self._said(self.high)}")
        return value

    def _write(self, value: float) -> str:
        return units.show(value, self.dimension)

    def _said(self, bound: float) -> str:
        """A bound as a person says it: 720 h and not 2592000 s."""
        if self.dimension is units.TIME:
            return units.duration_text(bound) if bound == 0.0 or bound >= 0.1 else f"{bound * 1e3:g} ms"
        if self.dimension is units.DATA_SIZE:
            return units.size_text(bound * 2**20)
        return units.show(bound, self.dimension)


DurationS = Annotated[float, Quantity(units.TIME, 0.0, 30 * 86_400.0, "3 min")]
AgeS = Annotated[float, Quantity(units.TIME, 86_400.0, 3660 * 86_400.0, "30 d")]
"""How long something is kept: from a day to ten years."""
HoldS = Annotated[float, Quantity(units.TIME, 0.0, 60.0, "5 s")]
"""How long something dangerous may go on; no longer than a minute."""
IntervalS = Annotated[float, Quantity(units.TIME, 0.001, 10.0, "20 ms")]
"""A load that comes and goes faster than anybody walks; longer ones are stages."""
OnPercent = Annotated[float, Quantity(units.SHARE, 10.0, 90.0, "50 %")]
FloorPercent = Annotated[float, Quantity(units.SHARE, 50.0, 100.0, "95 %")]
TickS = Annotated[float, Quantity(units.TIME, 0.1, 10.0, "1 s")]
SharePercent = Annotated[float, Quantity(units.SHARE, 0.0, 100.0, "95 %")]
MemorySharePercent = Annotated[float, Quantity(units.SHARE, 0.1, 95.0, "60 %")]
MarginK = Annotated[float, Quantity(units.TEMPERATURE_DIFFERENCE, 0.0, 60.0, "5 K")]
SizeMib = Annotated[float, Quantity(units.DATA_SIZE, 0.0, 2.0**30, "16 MiB")]
