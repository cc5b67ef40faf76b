"""A heat path of known parts, loaded by a schedule, and read by sensors that scatter: what fits are held against."""

from __future__ import annotations

import math
import random

from soakd.model.virtual import HeatNode, HeatParts, VirtualBench
from soakd.virtual.cooling import HeatPath

CORES = 6
AMBIENT_C = 24.0
TICK_S = 5.0
SCHEDULE = ((60.0, 20.0), (1500.0, 120.0), (600.0, 55.0), (600.0, 95.0))
"""Seconds and watts, rest first."""
STEP_K, SCATTER_K = 0.125, 0.15


def parts(draws, spread=0.4):
    """Every resistance and capacity of the virtual desktop, up to half as much more or a third less."""

    def node(capacity, resistance):
        many = [math.exp(draws.uniform(-spread, spread)) for _ in range(2)]
        return HeatNode(capacity_jk=capacity * many[0], resistance_kw=resistance * many[1])

    return HeatParts(
        core=node(1.5, 0.9), package=node(60.0, 0.06), cooler=node(250.0, 0.05), coolant=node(5500.0, 0.07)
    )


class Trace:
    """A run on a bench of these parts whose power grows by a share with each kelvin, as leakage does."""

    def __init__(
        self, seed, *, growth=0.0015, schedule=SCHEDULE, ambient_c=AMBIENT_C, tick_s=TICK_S, scatter_k=SCATTER_K
    ):
        draws = random.Random(seed)
        self.parts = parts(draws)
        self.growth = growth
        self._path = HeatPath(VirtualBench(heat=self.parts), CORES)
        self._ambient_c = ambient_c
        self.at_s, self.power_w, self.coolant_c, self.core_c, self.begins = [], [], [], [], []
        self._rest(schedule[0][1])
        now_s = 0.0
        for seconds, watts in schedule:
            self.begins.append(len(self.at_s))
            for _ in range(int(seconds / tick_s)):
                now_s += tick_s
                power_w = self._pass_time(watts, tick_s)
                self.at_s.append(now_s)
                self.power_w.append(round(power_w, 1))
                self.coolant_c.append(self._read(draws, self._path.coolant_k, scatter_k))
                self.core_c.append(self._read(draws, max(self._path.cores_k), scatter_k))

    @property
    def slowest_s(self):
        return self._path._network(1.0, 1.0).slowest_s

    def settled_kw(self, watts):
        """Resistances from core to coolant and from core to room, when nothing changes any more at this power."""
        for _ in range(40):
            power_w = self._rest(watts)
        core_k = max(self._path.cores_k)
        return (core_k - self._path.coolant_k) / power_w, core_k / power_w

    def _power(self, watts):
        return watts * (1.0 + self.growth * (self._ambient_c + max(self._path.cores_k) - 60.0))

    def _pass_time(self, watts, seconds):
        power_w = self._power(watts)
        beside_w = min(15.0, power_w)
        self._path.pass_time([(power_w - beside_w) / CORES] * CORES, beside_w, seconds, pump=1.0, fans=1.0)
        return power_w

    def _rest(self, watts):
        power_w = self._power(watts)
        self._path.rest([(power_w - min(15.0, power_w)) / CORES] * CORES, min(15.0, power_w))
        return power_w

    def _read(self, draws, above_k, scatter_k):
        return round((self._ambient_c + above_k + draws.gauss(0.0, scatter_k)) / STEP_K) * STEP_K
