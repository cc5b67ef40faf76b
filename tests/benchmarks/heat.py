"""Do fits find the heat path's own constants within what they state? `python tests/benchmarks/heat.py [--benches 500]`.

Each seed draws another heat path of six cores, package, cooler and coolant (tests/rules/heat_parts.py), loads it at
three powers that grow with the heat, and reads it every 5 s with 0.15 K of scatter in steps of 0.125 K.
"""

import argparse
import os
import statistics
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "rules"))

from heat_parts import AMBIENT_C, SCHEDULE, STEP_K, Trace

from soakd.rules.estimates import half_width
from soakd.rules.run_heat import over_room, room_path
from soakd.rules.shares import share_between
from soakd.rules.stage_heat import Course, stage_heat

NAMES = ("coolant to room, K/W", "longest time constant, s", "core to coolant, K/W", "core to room, K/W")


def bench(seed: int, *, known: bool) -> list[tuple[float, float] | None]:
    """Of each number how far it was off and the half width of its 95 %, as shares of the truth; None where not told."""
    trace = Trace(seed)
    count, (begin, end) = len(trace.at_s), trace.begins[1:3]
    path = room_path(trace.at_s, trace.power_w, trace.coolant_c, [AMBIENT_C] * count if known else [], STEP_K)
    parts = (trace.at_s, trace.core_c, trace.coolant_c, [], trace.power_w)
    steps = {"core_c": STEP_K, "coolant_c": STEP_K, "power_w": 0.1}
    heat = stage_heat(Course(*(part[begin:end] for part in parts), steps))
    heat = None if heat is None else over_room(heat, path)
    truths = (trace.parts.coolant.resistance_kw, trace.slowest_s, *trace.settled_kw(SCHEDULE[1][1]))
    found = (
        path and path.resistance_kw, path and path.constant_s, heat and heat.to_coolant_kw, heat and heat.to_ambient_kw
    )  # fmt: skip
    return [
        None if each is None else (abs(each.value / truth - 1.0), half_width(each, 0.95) / truth)
        for each, truth in zip(found, truths, strict=True)
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--benches", type=int, default=500)
    options = parser.parse_args()
    with ProcessPoolExecutor(len(os.sched_getaffinity(0))) as pool:
        for known in (True, False):
            print("room measured" if known else "room not measured")
            results = list(pool.map(partial(bench, known=known), range(options.benches), chunksize=10))
            for name, column in zip(NAMES, zip(*results, strict=True), strict=True):
                told = [each for each in column if each is not None]
                held = sum(off <= half for off, half in told)
                low, high = share_between(held, len(told), 0.95)
                width = statistics.median(half for _, half in told)
                print(
                    f"  {name:26} told by {len(told)} of {len(column)}, held {held / len(told):7.2%} "
                    f"({low:.1%} to {high:.1%}), ± {width:.2%} (median)"
                )


if __name__ == "__main__":
    main()
