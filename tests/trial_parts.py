"""Trials on virtual benches: pairs that are alike or not, and heat paths whose constants are known."""

from __future__ import annotations

import math
import random

from virtual_parts import Always, plan, stage

from soakd.model.sheet import ActiveLimit, Clocks, Cooling, Processor, Sheet
from soakd.model.virtual import HeatNode, HeatParts, VirtualBench
from soakd.model.virtual_sensors import VirtualSensor
from soakd.rules.compare import compare
from soakd.rules.estimates import half_width
from soakd.service.rehearsal import rehearse
from soakd.virtual.bench import Bench
from soakd.virtual.cooling import HeatPath
from soakd.virtual.shift import of_kind

RATIO = 50.0
CORES = 6
AMBIENT_C = 24.0
TICK_S = 5.0
HEAT = (
    stage(name="Heat", duration_s=1500.0),
    stage(name="Memory", workload="memory", memory_percent=20.0, duration_s=600.0),
    stage(name="Integers", workload="integer", duration_s=600.0),
)
FEW = (
    VirtualSensor(channel="hwmon/virtual/CPU", shows="hottest-core"),
    VirtualSensor(channel="hwmon/virtual/Package", shows="package-power"),
)
"""Sensors that a speed and its energy need."""


def speed_trial(seed, *, minutes=10.0, ratio=RATIO):
    """The verdict of one stage on two cores at this ratio; readings every two seconds."""
    declared = Sheet(
        version=1,
        name="Trial",
        processor=Processor(cores=2, threads=2),
        clocks=Clocks(reference_mhz=100.0, limits=(ActiveLimit(active_cores=2, ratio=ratio),)),
    )
    wanted = plan(stage(workload="integer", duration_s=minutes * 60.0), tick_s=2.0)
    found = rehearse(wanted, declared, VirtualBench(sensors=FEW), plan_file="trial", seed=seed).verdict
    return found.model_copy(update={"run_id": f"trial-{seed}"})


def gain_of(old, new):
    (found,) = compare(old, new).stages
    return found


def heat_bench(seed, spread=0.4):
    """Every resistance and capacity of the virtual desktop, up to half as much more or a third less."""
    draws = random.Random(seed)

    def node(capacity, resistance):
        many = [math.exp(draws.uniform(-spread, spread)) for _ in range(2)]
        return HeatNode(capacity_jk=capacity * many[0], resistance_kw=resistance * many[1])

    parts = HeatParts(
        core=node(1.5, 0.9), package=node(60.0, 0.06), cooler=node(250.0, 0.05), coolant=node(5500.0, 0.07)
    )
    return VirtualBench(heat=parts)


def heat_trial(seed, *, room_known):
    """What a run of three loads measured of such a bench."""
    declared = Sheet(
        version=1,
        name="Trial",
        processor=Processor(cores=CORES, threads=CORES),
        cooling=Cooling(ambient_c=AMBIENT_C if room_known else None),
    )
    wanted = plan(*HEAT, above="105 °C", tick_s=TICK_S)
    return rehearse(wanted, declared, heat_bench(seed), plan_file="trial", seed=seed).verdict.evidence.measured


class Truth:
    """Of such a bench: its coolant's resistance, its time constants, and its settled state under the first load."""

    def __init__(self, seed):
        about = heat_bench(seed)
        self.coolant_kw = about.heat.coolant.resistance_kw
        self.constants_s = sorted(HeatPath(about, CORES)._network(1.0, 1.0).constants_s, reverse=True)
        bench = Bench(about, Sheet(version=1, name="Trial", processor=Processor(cores=CORES, threads=CORES)))
        bench.load = Always(range(CORES), 512, of_kind(about.power.activity, "vector", 512))
        bench.advance(10.0 * self.constants_s[0])
        self.core_to_coolant_kw = (bench.hottest_c - bench.coolant_c) / bench.power_w
        self.core_to_room_kw = (bench.hottest_c - bench.ambient_c) / bench.power_w


def heat_found(seed):
    """With the room known and not, of each of four numbers how far it was off and the half width of its 95 %, as shares
    of the truth; None where it was not told: coolant to room, longest time constant, core to coolant, core to room.
    """
    truth = Truth(seed)
    return [_held_against(truth, heat_trial(seed, room_known=known)) for known in (True, False)]


def _held_against(truth, measured):
    path, heat = measured.heat.path, measured.stages[0].heat
    numbers = (
        (path and path.resistance_kw, truth.coolant_kw),
        (path and path.constant_s, truth.constants_s[0]),
        (heat.to_coolant_kw, truth.core_to_coolant_kw),
        (heat.to_ambient_kw, truth.core_to_room_kw),
    )
    return [
        None if found is None else (abs(found.value / true - 1.0), half_width(found, 0.95) / true)
        for found, true in numbers
    ]
