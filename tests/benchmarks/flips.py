"""Deliberate single-bit faults by the million: `python tests/benchmarks/flips.py [--seconds 60] [--only KERNEL]`.

Every kernel in every class of this core, each in a process of its own for so many seconds, one process per core. A turn
is work, one inverted bit, work, check (which: `tests/flip_turns.py`); after each comes a turn without one, in which
nothing may be found. All flips must be found, but for `vector/single` without fused operations, which says itself that
it loses about 2 in 10 million. From n clean turns without a false alarm follows a rate below 3/n at 95 % (rule of
three: J. Hanley, A. Lippman-Hand, JAMA 249 (1983) 1743).
"""

import argparse
import multiprocessing
import os
import random
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from flip_turns import turn_of

from soakd.workloads import catalog, classes


@dataclass(kw_only=True)
class Tally:
    workload: str
    instruction_class: str
    flips: int = 0
    found: int = 0
    clean: int = 0
    alarms: int = 0

    def line(self) -> str:
        numbers = f"{self.flips:10,} {self.found:10,} {self.clean:10,} {self.alarms:8,}"
        return f"{self.workload:18} {self.instruction_class:15} {numbers}"


def hunt(workload: str, instruction_class: str, seconds: float) -> Tally:
    tally, dice = Tally(workload=workload, instruction_class=instruction_class), random.Random()
    turn = turn_of(workload, instruction_class)
    end_s = time.perf_counter() + seconds
    while time.perf_counter() < end_s:
        tally.flips += 1
        tally.found += turn(dice, flip=True)
        tally.clean += 1
        tally.alarms += turn(dice, flip=False)
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60.0, help="for each kernel and class")
    parser.add_argument("--only", default="", help="kernels whose name begins like this")
    options = parser.parse_args()
    here = classes.available()
    chosen = [name for name in catalog.workloads() if name.startswith(options.only)]
    every = [(name, where) for name in chosen for where in catalog.entry(name).classes if where in here]
    print(f"{'kernel':18} {'class':15} {'flips':>10} {'found':>10} {'clean':>10} {'alarms':>8}")
    tallies = []
    with ProcessPoolExecutor(
        len(os.sched_getaffinity(0)), multiprocessing.get_context("spawn"), max_tasks_per_child=1
    ) as pool:
        for tally in pool.map(hunt, *zip(*every, strict=True), [options.seconds] * len(every)):
            tallies.append(tally)
            print(tally.line(), flush=True)
    flips, found, clean, alarms = (sum(getattr(t, n) for t in tallies) for n in ("flips", "found", "clean", "alarms"))
    print(Tally(workload="all", instruction_class="", flips=flips, found=found, clean=clean, alarms=alarms).line())
    if not alarms:
        print(f"false alarms below {3.0 / clean:.1e} a turn (95 %)")
    sys.exit(found < flips or alarms > 0)


if __name__ == "__main__":
    main()
