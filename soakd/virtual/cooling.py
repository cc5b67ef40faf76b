"""The way of the heat from the cores to the room, with pump and fans at any speed."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from soakd.virtual.heat import HeatNetwork

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.model.virtual import VirtualBench

FLOW_EXPONENT: Final = 0.8
"""Heat carried grows with the 0.8th power of the speed of a turbulent flow (W. McAdams' form of the Dittus-Boelter
correlation for tubes; from memory). Taken for air too."""


class HeatPath:
    """Temperatures of every core, the package, the cooler and the coolant; kelvin above the room inside."""

    def __init__(self, bench: VirtualBench, cores: int) -> None:
        self._heat = bench.heat
        self._still = bench.cooling.still_percent / 100.0
        self._has_pump = bench.cooling.pump_rpm is not None
        self._cores = cores
        self._above_k = [0.0] * (cores + 3)
        self._network = lru_cache(maxsize=16)(self._built)

    @property
    def cores_k(self) -> list[float]:
        return self._above_k[: self._cores]

    @property
    def cooler_k(self) -> float:
        return self._above_k[-2]

    @property
    def coolant_k(self) -> float:
        return self._above_k[-1]

    def pass_time(
        self, cores_w: Sequence[float], beside_w: float, duration_s: float, *, pump: float, fans: float
    ) -> None:
        """Exact for constant powers. `pump`, `fans`: their speeds as shares of what they should be."""
        self._above_k = self._network(pump, fans).after(self._above_k, (*cores_w, beside_w, 0.0, 0.0), duration_s)

    def rest(self, cores_w: Sequence[float], beside_w: float) -> None:
        """As it is when so much heat has flowed for long, with pump and fans as they should be."""
        self._above_k = self._network(1.0, 1.0).settled((*cores_w, beside_w, 0.0, 0.0))

    def _built(self, pump: float, fans: float) -> HeatNetwork:
        heat, count = self._heat, self._cores
        package, cooler, coolant = range(count, count + 3)
        pumped = self._carried(pump) if self._has_pump else 1.0
        parts = (heat.package, heat.cooler, heat.coolant)
        return HeatNetwork(
            [heat.core.capacity_jk] * count + [part.capacity_jk for part in parts],
            [
                *((core, package, heat.core.resistance_kw) for core in range(count)),
                (package, cooler, heat.package.resistance_kw),
                (cooler, coolant, heat.cooler.resistance_kw / pumped),
                (coolant, None, heat.coolant.resistance_kw / self._carried(fans)),
            ],
        )

    def _carried(self, speed: float) -> float:
        """Share of the heat that is carried at this share of the speed."""
        return self._still + (1.0 - self._still) * math.pow(speed, FLOW_EXPONENT)
