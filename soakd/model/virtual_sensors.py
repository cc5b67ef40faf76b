"""Sensors of a virtual bench: what each shows, how finely, and how much its readings scatter."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field, StringConstraints

from soakd import units
from soakd.model.base import Value
from soakd.model.quantities import Quantity, TemperatureC

FinestK = Annotated[float, Quantity(units.TEMPERATURE_DIFFERENCE, 0.001, 5.0, "0.125 K")]
FinestW = Annotated[float, Quantity(units.POWER, 1e-6, 50.0, "100 mW")]
FinestA = Annotated[float, Quantity(units.CURRENT, 0.001, 50.0, "100 mA")]
FinestV = Annotated[float, Quantity(units.VOLTAGE, 0.001, 0.5, "1 mV")]
FinestRpm = Annotated[float, Quantity(units.ROTATION, 1.0, 500.0, "1 rpm")]
ScatterK = Annotated[float, Quantity(units.TEMPERATURE_DIFFERENCE, 0.0, 20.0, "0.15 K")]
ScatterW = Annotated[float, Quantity(units.POWER, 0.0, 100.0, "200 mW")]
ScatterA = Annotated[float, Quantity(units.CURRENT, 0.0, 100.0, "200 mA")]
ScatterRpm = Annotated[float, Quantity(units.ROTATION, 0.0, 500.0, "4 rpm")]
ScatterV = Annotated[float, Quantity(units.VOLTAGE, 0.0, 0.5, "1 mV")]
ChannelName = Annotated[str, StringConstraints(pattern=r"^hwmon/[^/\s]+/[^/\n]+$")]
"""As the source for the kernel's hwmon class names them: hwmon, driver, label."""


Shown = Literal[
    "hottest-core", "coolant", "cooler", "ambient", "package-power", "core-current", "core-voltage", "pump", "fans"
]  # fmt: skip


class VirtualSensor(Value):
    """One channel."""

    channel: ChannelName
    shows: Shown
    critical_c: TemperatureC | None = Field(default=None, alias="critical")


SENSORS: Final = (
    VirtualSensor(channel="hwmon/virtual/CPU", shows="hottest-core"),
    VirtualSensor(channel="hwmon/virtual/Coolant", shows="coolant"),
    VirtualSensor(channel="hwmon/virtual/Package", shows="package-power"),
    VirtualSensor(channel="hwmon/virtual/Core current", shows="core-current"),
    VirtualSensor(channel="hwmon/virtual/Core voltage", shows="core-voltage"),
    VirtualSensor(channel="hwmon/virtual/Pump", shows="pump"),
    VirtualSensor(channel="hwmon/virtual/Fans", shows="fans"),
)


class Resolution(Value):
    """The finest step of what a sensor shows, by what it measures."""

    temperature_k: FinestK = Field(default=0.125, alias="temperature")
    power_w: FinestW = Field(default=0.1, alias="power")
    current_a: FinestA = Field(default=0.1, alias="current")
    voltage_v: FinestV = Field(default=0.001, alias="voltage")
    speed_rpm: FinestRpm = Field(default=1.0, alias="speed")


class Scatter(Value):
    """Standard deviation of a reading from what is there, each by itself, drawn from the seed; 0 for none."""

    temperature_k: ScatterK = Field(default=0.15, alias="temperature")
    power_w: ScatterW = Field(default=0.2, alias="power")
    current_a: ScatterA = Field(default=0.2, alias="current")
    voltage_v: ScatterV = Field(default=0.001, alias="voltage")
    speed_rpm: ScatterRpm = Field(default=4.0, alias="speed")
