"""A virtual bench: silicon, heat path, cooling, sensors and faults, as a file declares them.

Every default is invented, for a desktop that never was. What the sheet of a rehearsal declares is not repeated here.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from soakd import units
from soakd.model.base import Value
from soakd.model.keyed import one_each
from soakd.model.quantities import DurationS, PowerW, Quantity, SharePercent, TemperatureC, VoltageV
from soakd.model.sheet import CoreCount, CoreNumber, Words
from soakd.model.virtual_sensors import SENSORS, ChannelName, Resolution, Scatter, VirtualSensor

ClockMhz = Annotated[float, Quantity(units.FREQUENCY, 100.0, 20_000.0, "4800 MHz")]
CapacityJk = Annotated[float, Quantity(units.HEAT_CAPACITY, 0.01, 1e6, "250 J/K")]
ResistanceKw = Annotated[float, Quantity(units.THERMAL_RESISTANCE, 1e-4, 100.0, "0.06 K/W")]
SpeedRpm = Annotated[float, Quantity(units.ROTATION, 1.0, 50_000.0, "1200 rpm")]
MoreV = Annotated[float, Quantity(units.VOLTAGE, 0.0, 0.5, "20 mV")]
SoftnessV = Annotated[float, Quantity(units.VOLTAGE, 1e-4, 0.1, "4 mV")]
DoublingK = Annotated[float, Quantity(units.TEMPERATURE_DIFFERENCE, 5.0, 200.0, "30 K")]
UnevenPercent = Annotated[float, Quantity(units.SHARE, 0.0, 20.0, "0.5 %")]
OffK = Annotated[float, Quantity(units.TEMPERATURE_DIFFERENCE, -200.0, 200.0, "-20 K")]
Share = Annotated[float, Field(ge=0.0, le=2.0)]
PerCycle = Annotated[float, Field(ge=0.0, le=1000.0)]
WidestClass = Literal["scalar", "vector-128", "vector-256", "vector-256-fma", "vector-512"]


class VirtualProcessor(Value):
    """Cores, and what they do where the sheet does not say it."""

    cores: CoreCount | None = None
    """Physical cores; those of the sheet, else 8, where this is not given."""
    threads: CoreCount | None = None
    """Of all cores together: one or two for each core; those of the sheet, else one for each."""
    widest: WidestClass = "vector-512"
    """Widest instruction class."""
    clock_mhz: ClockMhz = Field(default=4500.0, alias="clock")
    """Where the sheet allows no other."""
    voltage_v: VoltageV = Field(default=1.15, alias="voltage")
    """Where the sheet has no curve."""
    throttle_c: TemperatureC = Field(default=100.0, alias="throttle")
    """Where the sheet has no throttle temperature."""
    trip_c: TemperatureC = Field(default=115.0, alias="trip")
    """A core as hot as this switches the machine off."""


class Activity(Value):
    """How much a kind of work switches, as a share of what the widest vector work does."""

    integer: Share = 0.55
    vector_128: Share = Field(default=0.75, alias="vector-128")
    vector_256: Share = Field(default=0.9, alias="vector-256")
    vector_512: Share = Field(default=1.0, alias="vector-512")
    memory: Share = 0.35
    exchange: Share = 0.3
    mixed: Share = 0.7
    idle: Share = 0.02


class Work(Value):
    """What a core does in one cycle, in the unit of the kind of work, and how evenly. Two threads share it."""

    integer: PerCycle = 4.0
    vector_128: PerCycle = Field(default=8.0, alias="vector-128")
    vector_256: PerCycle = Field(default=16.0, alias="vector-256")
    vector_512: PerCycle = Field(default=24.0, alias="vector-512")
    memory: PerCycle = 1.2
    exchange: PerCycle = 0.008
    mixed: PerCycle = 12.0
    scatter_percent: UnevenPercent = Field(default=0.5, alias="scatter")
    """Standard deviation of a worker's speed from round to round, of each by itself."""
    wander_percent: UnevenPercent = Field(default=1.0, alias="wander")
    """Of what slows all workers at once for a while, such as other work: a first-order process."""
    memory_s: DurationS = Field(default=10.0, alias="remembers")
    """How long it takes until such a while is forgotten by 63 %."""


class VirtualPower(Value):
    """What the processor takes, all cores together, at one clock, voltage and temperature."""

    clock_mhz: ClockMhz = Field(default=4500.0, alias="clock")
    voltage_v: VoltageV = Field(default=1.15, alias="voltage")
    temperature_c: TemperatureC = Field(default=60.0, alias="temperature")
    switching_w: PowerW = Field(default=105.0, alias="switching")
    """Of the widest vector work."""
    leakage_w: PowerW = Field(default=10.0, alias="leakage")
    doubles_every_k: DoublingK = Field(default=30.0, alias="doubles-every")
    """By how much hotter silicon leaks twice as much."""
    beside_w: PowerW = Field(default=15.0, alias="beside")
    """Of all that is no core: caches, memory controller, links; the same at any load."""
    activity: Activity = Activity()


class NeededVoltage(Value):
    """What a typical core needs at its pins at one clock, for scalar work at 60 °C."""

    clock_mhz: ClockMhz = Field(alias="clock")
    voltage_v: VoltageV = Field(alias="voltage")


class WiderNeeds(Value):
    """What registers of this width, and wider ones up to an entry of their own, need on top."""

    width: Literal[128, 256, 512]
    more_v: MoreV = Field(alias="more")


class WeakCore(Value):
    """A physical core that needs more than its lot."""

    core: CoreNumber
    more_v: MoreV = Field(alias="more")
    width: Literal[64, 128, 256, 512] = 64
    """From these registers on."""
    clock_mhz: ClockMhz = Field(default=100.0, alias="clock")
    """From this clock on."""
    above_c: TemperatureC = Field(default=-60.0, alias="above")
    """From this temperature of its own on."""


class Silicon(Value):
    """When a core computes wrongly. Without `needs` it never does."""

    needs: Annotated[tuple[NeededVoltage, ...], one_each("clock_mhz")] = ()
    wider: Annotated[tuple[WiderNeeds, ...], one_each("width")] = ()
    per_kelvin_v: MoreV = Field(default=0.0003, alias="per-kelvin")
    """More for each kelvin above 60 °C, less below."""
    spread_v: MoreV = Field(default=0.003, alias="spread")
    """Standard deviation from core to core, drawn from the seed."""
    softness_v: SoftnessV = Field(default=0.003, alias="softness")
    """Standard deviation of the noise on the supply that the error rate follows from."""
    weak: tuple[WeakCore, ...] = ()


class Trouble(Value):
    """Errors that no core's voltage explains, at a constant rate, of every worker in the stages that are meant."""

    where: Literal["memory", "exchange", "edges"] = Field(alias="in")
    """Memory stages, exchange stages, or those whose load comes and goes."""
    every_s: DurationS = Field(alias="every")
    """Mean time between errors of one worker's load."""
    lane: Annotated[int, Field(ge=0, le=7)] | None = None
    """Of memory: the byte lane of the wrong bits; any, where this is not given."""
    again: Literal["right", "wrong"] | None = None
    """Of memory: what is read when it is read again."""


class HeatNode(Value):
    """A part that stores heat, and the way out of it to the next part."""

    capacity_jk: CapacityJk = Field(alias="capacity")
    resistance_kw: ResistanceKw = Field(alias="resistance")
    """With pump and fans as they should be."""


class HeatParts(Value):
    """From each core to the room: core, package, cooler, coolant, air. Without a pump coolant means fins."""

    core: HeatNode = HeatNode(capacity=1.5, resistance=0.9)
    """Of each core."""
    package: HeatNode = HeatNode(capacity=60.0, resistance=0.06)
    cooler: HeatNode = HeatNode(capacity=250.0, resistance=0.05)
    coolant: HeatNode = HeatNode(capacity=5000.0, resistance=0.08)


class VirtualCooling(Value):
    """What moves the heat on."""

    ambient_c: TemperatureC = Field(default=24.0, alias="ambient")
    """Where the sheet has none."""
    pump_rpm: SpeedRpm | None = Field(default=2400.0, alias="pump")
    """Its speed, which never changes; none where there is no pump."""
    fans_rpm: SpeedRpm = Field(default=900.0, alias="fans")
    still_percent: SharePercent = Field(default=6.0, alias="still")
    """What is left of the flow of heat where a pump or fan stands."""


FaultName = Literal[
    "pump-fails", "fans-fail", "sensor-freezes", "sensor-lies", "sensor-vanishes", "sensor-absurd",
    "core-weakens", "core-hangs", "machine-hangs", "machine-resets",
]  # fmt: skip
_FAULT_KEYS: Final = {
    "channel": ("channel", ("sensor-freezes", "sensor-lies", "sensor-vanishes", "sensor-absurd")),
    "core": ("core", ("core-weakens", "core-hangs")),
    "off_k": ("off", ("sensor-lies",)),
    "more_v": ("more", ("core-weakens",)),
}
"""Field to its key, and the faults that must have it and alone may."""


class Fault(Value):
    """Something that goes wrong at a moment of the run."""

    what: FaultName
    at_s: DurationS = Field(alias="at")
    """From the run's start."""
    until_s: DurationS | None = Field(default=None, alias="until")
    """When it is over; never, where this is not given. Machines and cores that hang stay so."""
    left_percent: SharePercent = Field(default=0.0, alias="left")
    """Of a pump or of fans that fail: what is left of their speed."""
    channel: ChannelName | None = None
    off_k: OffK | None = Field(default=None, alias="off")
    """By how much a temperature is told wrongly."""
    core: CoreNumber | None = None
    """Physical core that weakens; logical core that hangs."""
    more_v: MoreV | None = Field(default=None, alias="more")
    above_c: TemperatureC = Field(default=-60.0, alias="above")
    """Temperature of the core from which it needs more."""

    @model_validator(mode="after")
    def _keys_fit(self) -> Self:
        for field, (key, owners) in _FAULT_KEYS.items():
            given = getattr(self, field) is not None
            if given != (self.what in owners):
                wanted = "is needed" if not given else "has no meaning here; leave it out"
                raise ValueError(f"{key}: for {self.what} it {wanted}")
        if self.until_s is not None and self.until_s <= self.at_s:
            raise ValueError("until: must be later than `at`")
        return self


class VirtualBench(Value):
    """A bench that exists only as numbers."""

    version: Annotated[int, Field(ge=1, le=1)] = 1
    """Version of this file format."""
    name: Words = "an invented desktop"
    note: str = ""
    processor: VirtualProcessor = VirtualProcessor()
    power: VirtualPower = VirtualPower()
    work: Work = Work()
    silicon: Silicon = Silicon()
    heat: HeatParts = HeatParts()
    cooling: VirtualCooling = VirtualCooling()
    sweep_s: DurationS = Field(default=40.0, alias="sweep")
    """How long a memory test takes to pass once over all memory."""
    sensors: Annotated[tuple[VirtualSensor, ...], Field(alias="sensor")] = SENSORS
    resolution: Resolution = Resolution()
    scatter: Scatter = Scatter()
    troubles: tuple[Trouble, ...] = Field(default=(), alias="trouble")
    faults: tuple[Fault, ...] = Field(default=(), alias="fault")

    @model_validator(mode="after")
    def _channels_exist(self) -> Self:
        names = [sensor.channel for sensor in self.sensors]
        if len(set(names)) != len(names):
            raise ValueError("sensor: two sensors have one channel; give each a name of its own")
        for fault in self.faults:
            if fault.channel is not None and fault.channel not in names:
                raise ValueError(f"fault: no sensor has the channel {fault.channel}")
        return self
