"""The settings as the tuner declares them. Every one is optional: what is not declared is not claimed.

Core numbers count physical cores from 0, in the order in which the operating system lists their first threads. A ratio
multiplies the reference clock. Which of several limits holds is worked out in `rules.allowed`; what does not fit is
found by `rules.sheet_check`.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    StrictBool,
    StrictFloat,
    StrictInt,
    StrictStr,
    StringConstraints,
)

from soakd import units
from soakd.model.base import Value
from soakd.model.keyed import NAMES_ONCE, NUMBERS_ONCE, one_each
from soakd.model.quantities import (
    CurrentA,
    DataRateMts,
    DurationS,
    LoadLineMohm,
    OffsetV,
    PowerW,
    ReferenceMhz,
    TemperatureC,
    TimingCycles,
    VoltageV,
)

LARGEST_EXACT = 2**53 - 1
"""RFC 8785 section 3.2.2.3: JSON numbers are IEEE 754 doubles; beyond this, neighbours become equal."""
RATIO_STEP = 0.25
"""The finest step of a ratio that is in use (common practice, no source)."""


def _canonical(raw: object) -> object:
    """Text that starts with a number is a quantity: keep it in its base unit, so that spelling does not matter."""
    if not isinstance(raw, bool | int | float | str) or (isinstance(raw, float) and not math.isfinite(raw)):
        raise ValueError('must be text ("1.2 V", or words), a finite number, or true or false')
    if isinstance(raw, int) and not isinstance(raw, bool) and abs(raw) > LARGEST_EXACT:
        raise ValueError(f"a whole number beyond {LARGEST_EXACT} has no exact place in JSON; write it as text")
    return (units.parse_any(raw) or raw.strip()) if isinstance(raw, str) else raw


def _in_steps(ratio: float) -> float:
    if ratio % RATIO_STEP:
        raise ValueError(f"a ratio goes in steps of {RATIO_STEP}")
    return ratio


def _whole(cycles: float) -> float:
    if cycles % 1:
        raise ValueError("a timing is a whole number of cycles")
    return cycles


Declared = Annotated[StrictBool | StrictInt | StrictFloat | StrictStr, BeforeValidator(_canonical)]
Ratio = Annotated[float, Field(ge=1, le=200), AfterValidator(_in_steps)]
"""A clock as a multiple of the reference clock."""
RatioSteps = Annotated[float, Field(ge=0, le=100), AfterValidator(_in_steps)]
"""By how much a ratio is lowered."""
CoreNumber = Annotated[int, Field(ge=0, lt=4096)]
CoreCount = Annotated[int, Field(ge=1, le=4096)]
Words = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=400)]
Name = Annotated[str, Field(max_length=400)]
TrialName = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=120)]


class Processor(Value):
    """Which processor, and what of it is switched on."""

    model: Words | None = None
    cores: CoreCount | None = None
    """Physical cores."""
    threads: CoreCount | None = None
    """Of all cores together."""
    cores_on: Annotated[tuple[CoreNumber, ...], NUMBERS_ONCE] | None = Field(
        default=None, alias="cores-on", min_length=1
    )
    """The cores that are switched on; all where this is not declared."""


class ActiveLimit(Value):
    """The highest ratio while up to so many cores are active."""

    active_cores: CoreCount = Field(alias="active-cores")
    """It holds for this many active cores and for fewer, down to the entry below."""
    ratio: Ratio


class CoreCeiling(Value):
    """One core's own highest ratio, and its own voltage there."""

    core: CoreNumber
    ratio: Ratio
    voltage_v: VoltageV | None = Field(default=None, alias="voltage")
    """Of this core at this ratio, in place of the curve's top."""


class VectorLimit(Value):
    """How far below its core's ceiling the ratio stays while registers of this width are in use."""

    width: Literal[128, 256, 512]
    """In bits. It holds for wider registers too, until an entry of their own."""
    below: RatioSteps


class StepDown(Value):
    """By how much every ratio is lowered from a temperature on; the largest of those reached counts, not their sum."""

    at_c: TemperatureC = Field(alias="at")
    by: RatioSteps
    active_cores: CoreCount = Field(default=1, alias="active-cores")
    """It holds while at least so many cores are active."""


class Clocks(Value):
    """What clock the cores may run at."""

    reference_mhz: ReferenceMhz | None = Field(default=None, alias="reference")
    lowest_ratio: Ratio | None = Field(default=None, alias="lowest-ratio")
    limits: Annotated[tuple[ActiveLimit, ...], one_each("active_cores")] = ()
    """By number of active cores."""
    cores: Annotated[tuple[CoreCeiling, ...], one_each("core")] = ()
    vector: Annotated[tuple[VectorLimit, ...], one_each("width")] = ()
    steps_down: Annotated[tuple[StepDown, ...], one_each("at_c", "active_cores")] = Field(
        default=(), alias="steps-down"
    )


class CurvePoint(Value):
    """One point of the voltage/frequency curve: the factory's voltage at a ratio, and what was added to it."""

    ratio: Ratio
    voltage_v: VoltageV = Field(alias="voltage")
    offset_v: OffsetV = Field(default=0.0, alias="offset")


class CurveTop(Value):
    """The voltage at the top ratio, above the factory's highest point."""

    ratio: Ratio
    voltage_v: VoltageV = Field(alias="voltage")


class Voltages(Value):
    """What voltage a core asks for, and what reaches it under current."""

    curve: Annotated[tuple[CurvePoint, ...], one_each("ratio")] = ()
    top: CurveTop | None = None
    offset_v: OffsetV = Field(default=0.0, alias="offset")
    """Added to the whole curve, to its top and to cores' own voltages too."""
    load_line_mohm: LoadLineMohm | None = Field(default=None, alias="load-line")
    """Volts lost per kiloampere, as the regulator is set."""
    regulator: Words | None = None
    """How the regulator is set, in words."""


class Cache(Value):
    """The clock of the shared cache, which may be lower under heavy load."""

    lighter_ratio: Ratio | None = Field(default=None, alias="lighter-ratio")
    heavier_ratio: Ratio | None = Field(default=None, alias="heavier-ratio")
    change_at_a: CurrentA | None = Field(default=None, alias="change-at")
    """The current from which the heavier setting holds."""


class Memory(Value):
    """How the memory was set."""

    profile_loaded: bool | None = Field(default=None, alias="profile-loaded")
    """Whether a profile stored on the modules was loaded before anything else was changed."""
    modules: Words | None = None
    """Which modules are fitted, in words."""
    data_rate_mts: DataRateMts | None = Field(default=None, alias="data-rate")
    timings: Annotated[dict[Name, Annotated[TimingCycles, AfterValidator(_whole)]], NAMES_ONCE] = Field(
        default_factory=dict
    )
    """By the names of the memory standard (JESD79): tRCD, tRP ..."""
    voltages: Annotated[dict[Name, VoltageV], NAMES_ONCE] = Field(default_factory=dict)
    """By rail: VDD, VDDQ ..."""


class PowerLimits(Value):
    """Where the processor limits itself."""

    sustained_power_w: PowerW | None = Field(default=None, alias="sustained-power")
    short_power_w: PowerW | None = Field(default=None, alias="short-power")
    short_time_s: DurationS | None = Field(default=None, alias="short-time")
    """How long the short limit may be used."""
    current_a: CurrentA | None = Field(default=None, alias="current")
    """The most at any moment."""
    sustained_current_a: CurrentA | None = Field(default=None, alias="sustained-current")
    throttle_c: TemperatureC | None = Field(default=None, alias="throttle-temperature")


class MakersLimits(Value):
    """What the makers state as the most; copied by the tuner from their documents, and only ever warned about."""

    core_voltage_v: VoltageV | None = Field(default=None, alias="core-voltage")
    memory_voltages: Annotated[dict[Name, VoltageV], NAMES_ONCE] = Field(default_factory=dict, alias="memory-voltages")
    """By rail, as under `memory`."""
    temperature_c: TemperatureC | None = Field(default=None, alias="temperature")
    current_a: CurrentA | None = Field(default=None, alias="current")


class Cooling(Value):
    """What carries the heat away."""

    kind: Words | None = None
    coolant_channel: Words | None = Field(default=None, alias="coolant-channel")
    """The sensor channel in the coolant."""
    regulated: bool | None = None
    """Whether fans or pump follow a temperature."""
    ambient_c: TemperatureC | None = Field(default=None, alias="ambient")


class Sheet(Value):
    """What the operating system cannot see, and what the tuner wants held against what it can."""

    version: Annotated[int, Field(ge=1, le=1)]
    """Version of this file format."""
    name: TrialName
    note: str = ""
    """Free text for the tuner; part of the record, not of the fingerprint."""
    parent: TrialName | None = None
    """Name of the trial that this one was made from; part of the record, not of the fingerprint."""
    processor: Processor = Processor()
    clocks: Clocks = Clocks()
    voltages: Voltages = Voltages()
    cache: Cache = Cache()
    memory: Memory = Memory()
    limits: PowerLimits = PowerLimits()
    makers_limits: MakersLimits = Field(default=MakersLimits(), alias="makers-limits")
    cooling: Cooling = Cooling()
    values: Annotated[dict[Name, Declared], NAMES_ONCE] = Field(default_factory=dict)
    """Whatever has no place above: trade term to quantity with unit, count, yes/no or text."""


OUTSIDE_FINGERPRINT = frozenset({"note", "parent"})
