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


AnswerS = Annotated[float, Quantity(units.TIME, 0.01, 10.0, "500 ms")]
"""How long somebody else's code may take for one answer."""
PluginMemoryMib = Annotated[float, Quantity(units.DATA_SIZE, 32.0, 65_536.0, "256 MiB")]
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
BeyondPercent = Annotated[float, Quantity(units.SHARE, 0.1, 99.0, "5 %")]
"""A share of a stage that may be spent beyond a bound; none at all is a plain limit."""
WindowS = Annotated[float, Quantity(units.TIME, 5.0, 3600.0, "30 s")]
"""What a rise is measured over."""
WatchS = Annotated[float, Quantity(units.TIME, 0.0, 3600.0, "2 min")]
"""How long something is looked at after all is done; 0 s for not at all."""
TolerancePercent = Annotated[float, Quantity(units.SHARE, 0.1, 20.0, "1 %")]
MemorySharePercent = Annotated[float, Quantity(units.SHARE, 0.1, 95.0, "60 %")]
MarginK = Annotated[float, Quantity(units.TEMPERATURE_DIFFERENCE, 0.0, 60.0, "5 K")]
SizeMib = Annotated[float, Quantity(units.DATA_SIZE, 0.0, 2.0**30, "16 MiB")]
ReferenceMhz = Annotated[float, Quantity(units.FREQUENCY, 10.0, 1000.0, "100 MHz")]
VoltageV = Annotated[float, Quantity(units.VOLTAGE, 0.1, 3.0, "1.25 V")]
"""A core's or a memory's supply; bounds of what can be meant, not of what is safe."""
OffsetV = Annotated[float, Quantity(units.VOLTAGE, -0.5, 0.5, "-30 mV")]
LoadLineMohm = Annotated[float, Quantity(units.RESISTANCE, 0.0, 10.0, "0.9 mΩ")]
CurrentA = Annotated[float, Quantity(units.CURRENT, 0.0, 2000.0, "180 A")]
PowerW = Annotated[float, Quantity(units.POWER, 0.0, 5000.0, "200 W")]
TemperatureC = Annotated[float, Quantity(units.TEMPERATURE, -60.0, 150.0, "85 °C")]
DataRateMts = Annotated[float, Quantity(units.DATA_RATE, 100.0, 20_000.0, "6000 MT/s")]
TimingCycles = Annotated[float, Quantity(units.CYCLES, 0.0, 100_000.0, "36 cycles")]
