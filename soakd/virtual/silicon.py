"""What a core takes, and when it computes wrongly. A model: no law of nature, only the right shape.

Switching takes a C V² f (textbook form), leakage a current that doubles in each so many kelvin (common practice, no
source). A core needs a voltage that depends on its clock, its lot, the width of its registers and its temperature;
what is at its pins beyond that is its margin. The supply is never quite still: were its noise Gaussian, a core would be
short of voltage for the share of the time that the distribution's tail has beyond the margin, and wrong in proportion.
So the rate of errors falls smoothly and steeply as the margin grows.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from soakd.virtual.draws import Draws

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from soakd.model.virtual import NeededVoltage, Silicon, VirtualPower, WeakCore

REFERENCE_C: Final = 60.0
"""Temperature that needed voltages are declared for."""
TRIES_PER_S: Final = 1000.0
"""Errors a second of a core without any supply to speak of: invented."""
TURN_K: Final = 1.0
"""Within about so many kelvin a core becomes weak."""
_LOTS: Final = 1


class Appetite:
    """Currents of one core: proportional to clock, voltage and activity, and what leaks."""

    def __init__(self, power: VirtualPower, cores: int) -> None:
        self._power = power
        self._per_mhz = power.switching_w / cores / power.voltage_v**2 / power.clock_mhz
        self._leakage_a = power.leakage_w / cores / power.voltage_v

    def switching(self, activity: float, clock_mhz: float) -> float:
        """Amperes for each volt: a C f."""
        return activity * self._per_mhz * clock_mhz

    def leakage_a(self, temperature_c: float) -> float:
        return self._leakage_a * math.exp2((temperature_c - self._power.temperature_c) / self._power.doubles_every_k)


class Lots:
    """Every core's place in the silicon lottery, and the weak ones that were put in."""

    def __init__(self, silicon: Silicon, cores: int, seed: int) -> None:
        self._silicon = silicon
        draws = Draws(seed, _LOTS)
        self._own_v = [silicon.spread_v * draws.normal(core) for core in range(cores)]
        self._wider = sorted((entry.width, entry.more_v) for entry in silicon.wider)

    def needed_v(
        self, core: int, *, clock_mhz: float, width: int, temperature_c: float, weak: Iterable[WeakCore] = ()
    ) -> float:
        """Volts at the pins below which errors become frequent. `weak`: weaknesses besides the planted ones."""
        silicon = self._silicon
        wider_v = [more_v for least, more_v in self._wider if least <= width]
        needed_v = _on_curve(silicon.needs, clock_mhz) + self._own_v[core] + (wider_v[-1] if wider_v else 0.0)
        needed_v += silicon.per_kelvin_v * (temperature_c - REFERENCE_C)
        for each in (*silicon.weak, *weak):
            if each.core == core and width >= each.width and clock_mhz >= each.clock_mhz:
                needed_v += each.more_v * _reached(temperature_c - each.above_c)
        return needed_v

    def errors_per_s(self, margin_v: float) -> float:
        """Errors in a second of load: the upper tail of the normal distribution beyond the margin."""
        return TRIES_PER_S * 0.5 * math.erfc(margin_v / self._silicon.softness_v / math.sqrt(2.0))


def _on_curve(needs: Sequence[NeededVoltage], clock_mhz: float) -> float:
    """Linear between two points, and on beyond the ends as between the last two."""
    if len(needs) == 1:
        return needs[0].voltage_v
    upper = next((place for place in range(1, len(needs) - 1) if clock_mhz <= needs[place].clock_mhz), len(needs) - 1)
    low, high = needs[upper - 1], needs[upper]
    slope = (high.voltage_v - low.voltage_v) / (high.clock_mhz - low.clock_mhz)
    return low.voltage_v + slope * (clock_mhz - low.clock_mhz)


def _reached(above_k: float) -> float:
    """0 far below, 1 far above, one half at it: the logistic curve."""
    return 0.5 * (1.0 + math.tanh(above_k / TURN_K))
