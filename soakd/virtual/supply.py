"""What the processor makes of a load under a sheet: each core's clock, the voltage, where it holds itself back."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from soakd.rules.allowed import allowed
from soakd.rules.curve import curve_of, voltage_at
from soakd.virtual.silicon import Appetite

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.model.sheet import Sheet
    from soakd.model.virtual import VirtualBench

USUAL_REFERENCE_MHZ: Final = 100.0
USUAL_LOWEST_RATIO: Final = 8.0
USUAL_SHORT_S: Final = 28.0
"""Where the sheet declares none (common practice, no source)."""
RELEASE_K: Final = 3.0
"""So far below the throttle temperature a ratio is given back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadKind:
    """What the loaded cores do."""

    cores: tuple[int, ...]
    """Physical, the loaded ones."""
    width: int
    """Register bits."""
    activity: float


AT_REST: Final = LoadKind(cores=(), width=64, activity=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """What follows from a load as long as no core's temperature counts."""

    clocks_mhz: dict[int, float]
    """Of the loaded cores."""
    switching: tuple[float, ...]
    """Of every core, amperes for each volt."""
    set_v: float


class Supply:
    """One voltage for all cores: the highest that an active one asks for, less what the load line takes."""

    def __init__(self, bench: VirtualBench, sheet: Sheet, cores: int) -> None:
        self.appetite = Appetite(bench.power, cores)
        self.reference_mhz = sheet.clocks.reference_mhz or USUAL_REFERENCE_MHZ
        self._lowest = sheet.clocks.lowest_ratio or USUAL_LOWEST_RATIO
        self._bench = bench
        self._sheet = sheet
        self._cores = cores
        self._curves = [curve_of(sheet, core) for core in range(cores)]
        self._load_line_ohm = (sheet.voltages.load_line_mohm or 0.0) / 1000.0
        self._moments_c = sorted({step.at_c for step in sheet.clocks.steps_down})
        self._idle = tuple(self.appetite.switching(bench.power.activity.idle, self.reference_mhz) for _ in range(cores))
        self._drives: dict[tuple[LoadKind, int, int], Drive] = {}

    def drive(self, load: LoadKind, shown_c: float, held_back: int) -> Drive:
        """`shown_c`: the processor's own reading; `held_back`: by how many ratios it holds itself back."""
        key = (load, sum(shown_c >= moment_c for moment_c in self._moments_c), held_back)
        if key not in self._drives:
            self._drives[key] = self._driven(load, shown_c, held_back)
        return self._drives[key]

    def pins_v(self, drive: Drive, leakage_a: float) -> float:
        """Volts at the pins: V = V_set - R (V · Σ a C f + leakage), solved for V."""
        ohm = self._load_line_ohm
        return (drive.set_v - ohm * leakage_a) / (1.0 + ohm * sum(drive.switching))

    def is_lowest(self, drive: Drive) -> bool:
        """No core can go any slower."""
        return all(clock_mhz <= self._lowest * self.reference_mhz for clock_mhz in drive.clocks_mhz.values())

    def _driven(self, load: LoadKind, shown_c: float, held_back: int) -> Drive:
        ratios = {core: max(self._lowest, self._ratio(load, core, shown_c) - held_back) for core in load.cores}
        switching = list(self._idle)
        for core, ratio in ratios.items():
            switching[core] = self.appetite.switching(load.activity, ratio * self.reference_mhz)
        asked = [self._asked_v(core, ratio) for core, ratio in ratios.items()]
        return Drive(
            clocks_mhz={core: ratio * self.reference_mhz for core, ratio in ratios.items()},
            switching=tuple(switching),
            set_v=max(asked) if asked else min(self._asked_v(core, self._lowest) for core in range(self._cores)),
        )

    def _ratio(self, load: LoadKind, core: int, shown_c: float) -> float:
        clocks = self._sheet.clocks
        found = allowed(clocks, core=core, active=len(load.cores), width=load.width, temperature_c=shown_c)
        return found.ratio if found else self._bench.processor.clock_mhz / self.reference_mhz

    def _asked_v(self, core: int, ratio: float) -> float:
        volts = voltage_at(self._curves[core], ratio)
        return self._bench.processor.voltage_v if volts is None else volts


class Restraint:
    """How far the processor holds itself back, by whole ratios, for its power limits, its current and its heat."""

    def __init__(self, bench: VirtualBench, sheet: Sheet) -> None:
        limits = sheet.limits
        infinite = float("inf")
        self._throttle_c = bench.processor.throttle_c if limits.throttle_c is None else limits.throttle_c
        self._sustained_w = infinite if limits.sustained_power_w is None else limits.sustained_power_w
        self._short_w = self._sustained_w if limits.short_power_w is None else limits.short_power_w
        self._short_s = limits.short_time_s or USUAL_SHORT_S
        currents = [each for each in (limits.current_a, limits.sustained_current_a) if each is not None]
        self._most_a = min(currents, default=infinite)
        self._mean_w = 0.0
        self.for_heat = 0
        self.for_power = 0
        self.heat_count = 0
        self.power_count = 0

    @property
    def ratios(self) -> int:
        return self.for_heat + self.for_power

    def feel(self, shown_c: float) -> None:
        """Once in each step of time: one ratio more while too hot, one less when well below."""
        if shown_c >= self._throttle_c:
            self.for_heat += 1
            self.heat_count += 1
        elif self.for_heat and shown_c < self._throttle_c - RELEASE_K:
            self.for_heat -= 1

    def allows(self, power_w: float, current_a: float) -> bool:
        """The short limit holds while the mean power is below the sustained one."""
        most_w = self._short_w if self._mean_w < self._sustained_w else self._sustained_w
        return power_w <= most_w and current_a <= self._most_a

    def draw(self, power_w: float, duration_s: float) -> None:
        """Power was drawn: its mean forgets by the short limit's time."""
        self._mean_w += (power_w - self._mean_w) * -math.expm1(-duration_s / self._short_s)


def leakage_a(appetite: Appetite, temperatures_c: Sequence[float]) -> list[float]:
    return [appetite.leakage_a(temperature_c) for temperature_c in temperatures_c]
