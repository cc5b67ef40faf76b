"""Nights on the virtual bench, by the hundred: `python tests/benchmarks/virtual_nights.py [--nights 100] [--tick 1]`.

Each seed is another silicon. Half of the nights have a core planted weak, at a place that the seed picks: hot (all
cores in 512 bits, above 65 °C; one error in ten minutes of it) or fast (a clock that few active cores reach; one in two
minutes). It has to be found, on that core and in a stage that goes there; the healthy nights must accuse nobody. From n
healthy nights without an accusation follows a rate below 3/n at 95 % (rule of three: J. Hanley, A. Lippman-Hand, JAMA
249 (1983) 1743). Also the time that one night of 16 cores takes.
"""

import argparse
import json
import os
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from virtual_parts import PLACES, lantern, overnight, planted, sheet

from soakd.model.sheet import Sheet
from soakd.rules.cores import physical
from soakd.service.rehearsal import rehearse
from soakd.splitmix import split_mix

STAGES = {"hot": "vector/lanes", "fast": "integer/streams"}
"""Place to the kernel of the stages that go there."""


def night(seed: int, *, weak: bool, tick_s: float) -> tuple[str, str, float]:
    """Place, what came of it, and how long the virtual night lasted."""
    core, place = split_mix(seed, 0) % 6, list(PLACES)[split_mix(seed, 1) % 2]
    shown = rehearse(
        overnight(tick_s), sheet(), planted(place, core, seed) if weak else lantern(), plan_file="overnight", seed=seed
    )
    reasons = shown.verdict.reasons
    if not reasons:
        return place, "nothing found", shown.ended_s
    first = reasons[0]
    if first.rule != "wrong-result" or first.core is None or first.stage is None:
        return place, f"{first.rule}: {first.text}", shown.ended_s
    found = physical(shown.verdict.snapshot_before)[first.core], shown.verdict.plan.stages[first.stage].kernel
    right = found == (core, STAGES[place])
    return place, "found there" if right else f"core {found[0]} accused in {found[1]}", shown.ended_s


def one_night_s() -> tuple[float, str]:
    """Processor seconds for a night of 16 cores at ticks of 1 s, and its outcome."""
    document = {
        "version": 1, "name": "Sixteen", "processor": {"cores": 16, "threads": 16},
        "clocks": {"reference": "100 MHz", "limits": [
            {"active-cores": 1, "ratio": 46}, {"active-cores": 4, "ratio": 45}, {"active-cores": 16, "ratio": 44},
        ]},
    }  # fmt: skip
    began_s = time.process_time()
    shown = rehearse(overnight(1.0), Sheet.model_validate_json(json.dumps(document)), lantern(), plan_file="overnight")
    return time.process_time() - began_s, shown.verdict.outcome


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=100, help="of each kind")
    parser.add_argument("--tick", type=float, default=1.0, help="seconds")
    options = parser.parse_args()
    seconds, outcome = one_night_s()
    print(f"a night of 16 cores at ticks of 1 s: {seconds:.1f} s of processor time, {outcome}")
    with ProcessPoolExecutor(len(os.sched_getaffinity(0))) as pool:
        for name, weak in (("planted", True), ("healthy", False)):
            began_s = time.perf_counter()
            results = list(pool.map(partial(night, weak=weak, tick_s=options.tick), range(options.nights)))
            spent_s = time.perf_counter() - began_s
            print(f"{name}: {options.nights} nights in {spent_s:.0f} s")
            for (place, result), count in sorted(Counter((p if weak else "-", r) for p, r, _ in results).items()):
                hours = median(ended_s for p, r, ended_s in results if r == result and place in {p, "-"}) / 3600.0
                print(f"  {place:5} {result}: {count}, after {hours:.2f} h (median)")


if __name__ == "__main__":
    main()
