"""Benches with the same kinds of cause as in `lead_parts`, but drawn: which core, how strong, where, when, which lot.

The rules of leads were made with the benches of `lead_parts` in sight; nobody looked at these before they were run.
"""

from __future__ import annotations

import math
import random
from itertools import accumulate
from typing import Final

from lead_parts import (
    ALIKE,
    ALL,
    CPU,
    FLAT,
    changed,
    fault,
    held_back,
    lantern,
    level,
    missing_v,
    stiff,
    top,
    trouble,
    volts,
    weak,
)
from virtual_parts import overnight

CLOCKS_MHZ: Final = (4850, 4950)
TOP_MHZ: Final = {5: 4900}
"""Of the cores that the sheet holds back."""
LIGHT: Final = "Walk: vector"
HEAVY: Final = "Heat again: vector, all cores"


def drawn(draws_seed):
    """Name to bench, sheet and seed, and the lead that is right; as `lead_parts.BENCHES`."""
    draws = random.Random(draws_seed)
    found = {}
    for kind, times in KINDS.items():
        for number in range(times):
            about, make, right = kind(draws, draws.randint(100, 10_000))
            found[f"{about}" if times == 1 else f"{about} ({number + 1})"] = make, right
    return found


def between(draws, low, high):
    """Evenly by ratio: a strength has no scale of its own."""
    return math.exp(draws.uniform(math.log(low), math.log(high)))


def core_fast(draws, seed):
    core, mean_s = draws.choice(ALL), between(draws, 60.0, 300.0)
    mhz = draws.choice([clock for clock in CLOCKS_MHZ if clock <= TOP_MHZ.get(core, clock)])

    def make():
        more = missing_v((core,), "integer", 64, mean_s, seed)[core]
        return lantern(silicon={"weak": [{"core": core, "more": volts(more), "clock": f"{mhz} MHz"}]}), None, seed

    return f"core {core} weak from {mhz} MHz on, {mean_s:.0f} s", make, "one-core-fast"


def core_hot(draws, seed):
    core, above, mean_s = draws.choice(ALL), draws.randint(62, 72), between(draws, 200.0, 800.0)
    name = f"core {core} weak above {above} °C, {mean_s:.0f} s"
    return name, lambda: weak([core], "vector", 512, mean_s, seed, above=f"{above} °C"), "one-core-hot"


def core_wide(draws, seed):
    core, width, mean_s = draws.choice(ALL), draws.choice([256, 512]), between(draws, 200.0, 800.0)
    name = f"core {core} weak from {width} bits on, no sag, {mean_s:.0f} s"
    return (
        name,
        lambda: weak([core], "vector", 512, mean_s, seed, of_sheet=stiff(), silicon=FLAT, width=width),
        "one-core-wide",
    )


def core_heavy(draws, seed):
    core, mean_s = draws.choice(ALL), between(draws, 200.0, 800.0)
    name = f"core {core} weak in 512 bits, under sag, {mean_s:.0f} s"
    return name, lambda: weak([core], "vector", 512, mean_s, seed, width=512), "one-core-heavy"


def core_everywhere(draws, seed):
    core, mean_s = draws.choice(ALL), between(draws, 200.0, 800.0)
    name = f"core {core} weak at any load, {mean_s:.0f} s"
    return (
        name,
        lambda: weak([core], "vector", 512, mean_s, seed, of_sheet=level(), silicon=FLAT),
        "one-core-everywhere",
    )


def many_wide(draws, seed):
    cores, mean_s = sorted(draws.sample(ALL, draws.randint(4, 6))), between(draws, 1000.0, 3000.0)
    name = f"cores {', '.join(map(str, cores))} short in 512 bits, {mean_s:.0f} s"
    return name, lambda: weak(cores, "vector", 512, mean_s, seed, of_sheet=stiff(), silicon=FLAT, width=512), "wide"


def all_fast(draws, seed):
    mean_s = between(draws, 150.0, 600.0)
    return f"all cores short at the top ratio, {mean_s:.0f} s", lambda: top(mean_s, seed), "fast"


def all_everywhere(draws, seed):
    mean_s = between(draws, 1000.0, 3000.0)
    name = f"all cores short at any load, {mean_s:.0f} s"
    return name, lambda: weak(ALL, "vector", 512, mean_s, seed, of_sheet=level(), silicon=FLAT), "everywhere"


def soft_line(draws, seed):
    mohm = round(draws.uniform(1.13, 1.18), 3)
    sheet = {"load_line_mohm": mohm}
    return f"load line of {mohm} mΩ", lambda: (lantern(silicon=ALIKE), changed(voltages=sheet), seed), "heavy"


def memory_lane(draws, seed):
    lane, minutes, again = draws.randrange(8), round(between(draws, 40.0, 180.0)), draws.choice(["right", "wrong"])
    name = f"memory, lane {lane}, {minutes} min, again {again}"
    return name, lambda: trouble("memory", f"{minutes} min", seed, lane=lane, again=again), "memory-lane"


def memory_any(draws, seed):
    minutes, again = round(between(draws, 40.0, 180.0)), draws.choice(["right", "wrong"])
    name = f"memory, any lane, {minutes} min, again {again}"
    return name, lambda: trouble("memory", f"{minutes} min", seed, again=again), "memory"


def exchange(draws, seed):
    minutes = round(between(draws, 4.0, 20.0))
    return f"exchange, {minutes} min", lambda: trouble("exchange", f"{minutes} min", seed), "exchange"


def edges(draws, seed):
    minutes = round(between(draws, 2.0, 10.0))
    return f"edges of load, {minutes} min", lambda: trouble("edges", f"{minutes} min", seed), "pulses"


def moment_in(draws, name):
    """Minutes into the night, somewhere in the middle of a stage."""
    stages = overnight().stages
    ends = [0.0, *accumulate(stage.duration_s for stage in stages)]
    place = [stage.name for stage in stages].index(name)
    return round((ends[place] + draws.uniform(0.2, 0.8) * stages[place].duration_s) / 60.0)


def reset_light(draws, seed):
    at = moment_in(draws, LIGHT)
    return f"reset in a walk, {at} min", lambda: fault("machine-resets", f"{at} min", seed), "went-down-light"


def reset_heavy(draws, seed):
    at = moment_in(draws, HEAVY)
    return f"reset in the heat, {at} min", lambda: fault("machine-resets", f"{at} min", seed), "went-down-heavy"


def cooling_fails(what, right):
    def drawn_failure(draws, seed):
        at, left = draws.randint(5, 55), draws.randint(0, 20)
        name = f"{what} to {left} %, {at} min"
        return name, lambda: fault(what, f"{at} min", seed, left=f"{left} %"), right

    return drawn_failure


def sensor(draws, seed):
    at = draws.randint(5, 450)
    return f"sensor, {at} min", lambda: fault("sensor-vanishes", f"{at} min", seed, channel=CPU), "sensor-lost"


def power_limit(draws, seed):
    watts = float(draws.randint(75, 100))
    limits = {"sustained_power_w": watts, "short_power_w": watts}
    return f"power limit of {watts:g} W", lambda: held_back(seed, **limits), "clock-power"


def throttle(draws, seed):
    at_c = float(draws.randint(60, 68))
    return f"throttle temperature of {at_c:g} °C", lambda: held_back(seed, throttle_c=at_c), "clock-heat"


KINDS: Final = {
    core_fast: 2, core_hot: 3, core_wide: 2, core_heavy: 2, core_everywhere: 2, many_wide: 1, all_fast: 1,
    all_everywhere: 1, soft_line: 1, memory_lane: 2, memory_any: 1, exchange: 1, edges: 1, reset_light: 1,
    reset_heavy: 1, cooling_fails("pump-fails", "pump"): 1, cooling_fails("fans-fail", "fans"): 1, sensor: 1,
    power_limit: 1, throttle: 1,
}  # fmt: skip
"""How often each is drawn."""
