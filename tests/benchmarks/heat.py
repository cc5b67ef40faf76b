"""Do fits find a bench's own constants within what they state? `python tests/benchmarks/heat.py [--benches 500]`.

Each seed is another virtual bench of six cores, package, cooler and coolant (tests/trial_parts.py), with sensors that
read in steps and scatter. It is rehearsed as any plan is: three loads in 45 minutes, a reading every 5 s. The truths
are the bench's file, the slowest mode of its heat network, and where it really settles.
"""

import argparse
import os
import statistics
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from trial_parts import heat_found

from soakd.rules.shares import share_between

NAMES = ("coolant to room, K/W", "longest time constant, s", "core to coolant, K/W", "core to room, K/W")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--benches", type=int, default=500)
    options = parser.parse_args()
    with ProcessPoolExecutor(len(os.sched_getaffinity(0))) as pool:
        found = list(pool.map(heat_found, range(options.benches), chunksize=5))
        for title, results in zip(("room measured", "room not measured"), zip(*found, strict=True), strict=True):
            print(title)
            for name, column in zip(NAMES, zip(*results, strict=True), strict=True):
                told = [each for each in column if each is not None]
                if not told:
                    print(f"  {name:26} told by none of {len(column)}")
                    continue
                held = sum(off <= half for off, half in told)
                low, high = share_between(held, len(told), 0.95)
                width = statistics.median(half for _, half in told)
                print(
                    f"  {name:26} told by {len(told)} of {len(column)}, held {held / len(told):7.2%} "
                    f"({low:.1%} to {high:.1%}), ± {width:.2%} (median)"
                )


if __name__ == "__main__":
    main()
