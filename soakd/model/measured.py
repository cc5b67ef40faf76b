"""What a run's readings come to, each number with how sure it is: part of the evidence."""

from __future__ import annotations

from typing import Literal

from soakd.model.base import Value


class Estimate(Value):
    """A number that was worked out from readings."""

    value: float
    sd: float
    """Its standard error."""
    freedom: float
    """Degrees of freedom of that: of Student's distribution."""


class Demonstration(Value):
    """What the whole run shows of the mean time between errors, if errors come at one constant rate."""

    confidence: float
    load_s: float
    """Load under this plan whose results were checked, all cores at once."""
    errors: int
    """Wrong results, workers that died or hung of the load, and the machine's going down."""
    mean_s: float
    """The mean time between errors is at least this, at that confidence."""
    between_s: tuple[float, float] | None = None
    """And lies between these, at that confidence; None without any error."""


class StageHeat(Value):
    """The processor's hottest sensor in one stage of steady load; means are those of its last third."""

    core_c: float
    coolant_c: float | None = None
    ambient_c: float | None = None
    power_w: float | None = None
    """Of the package."""
    slope_k_per_min: Estimate
    settled: bool | None
    """None where the readings do not tell."""
    ends_c: Estimate | None = None
    """Where the fitted curve ends if the load goes on; None where it is settled, or does not follow one."""
    to_coolant_kw: Estimate | None = None
    """Thermal resistance from the hottest core to the coolant: kelvin per watt of the package."""
    to_ambient_kw: Estimate | None = None
    """The same to the room; where a coolant is read, over it."""


class HeatPath(Value):
    """From the coolant to the room, fitted over the whole run to the power that was drawn."""

    resistance_kw: Estimate
    constant_s: Estimate
    """The longest time constant."""
    shorter_s: Estimate | None = None
    """The next one, with what is shorter still in it; None where the readings do not tell it to a quarter."""
    ambient_c: Estimate | None = None
    """Where nobody says how warm the room is: what it follows to be."""
    noise_k: float
    """Standard deviation of the readings from the fit."""


class Heat(Value):
    """The heat of a whole run."""

    ambient_c: float | None = None
    """Mean, or as the sheet declares it."""
    ambient_from: Literal["sensor", "sheet"] | None = None
    core_gain: float = 1.0
    """Kelvin of the hottest core for each kelvin of the room: a hotter processor leaks more."""
    path: HeatPath | None = None


class StageMeasured(Value):
    """One stage's numbers; None where they cannot be had."""

    index: int
    rate: Estimate | None = None
    """Operations per second of load, all workers together."""
    energy_j: Estimate | None = None
    """Of the package, for each checked operation."""
    power_w: Estimate | None = None
    heat: StageHeat | None = None


class LoadLine(Value):
    """The voltage's fall with the current, from pairs of readings at equal clocks."""

    resistance_mohm: Estimate
    pairs: int
    groups: int
    """Clocks and core sets that were kept apart: each has a set voltage of its own."""
    current_from: str
    """What the current was read from."""
    lowest_below_mv: float
    """How far a single reading lay below the line."""


class Electrical(Value):
    """Voltage, current and clock over the run's load."""

    load_line: LoadLine | None = None
    load_line_absent: str | None = None
    """Why there is none."""
    droop_unseen: str | None = None
    """Why drops at the edges of pulses cannot have been seen."""
    clocks_s: dict[int, float]
    """MHz, the lower edge of a step of 25, to core seconds that were spent there."""
    volts_s: dict[int, float]
    """The same in mV and steps of 10, of the core's voltage, to seconds."""


class Measured(Value):
    """All of them."""

    demonstration: Demonstration | None = None
    stages: tuple[StageMeasured, ...] = ()
    heat: Heat | None = None
    electrical: Electrical | None = None
