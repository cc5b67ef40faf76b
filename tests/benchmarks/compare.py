"""Equal benches and 2 % more, on the virtual bench itself: `python tests/benchmarks/compare.py [--pairs 2000]`.

Each pair is two rehearsals of one plan with one sheet, each of another seed, compared as verdicts are: one stage of the
documented length, readings every two seconds, speeds that scatter and wander as the bench's defaults say. Then a tenth
as many pairs with a ratio of 51 after 50: 2 % more.
"""

import argparse
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from trial_parts import RATIO, gain_of, speed_trial

from soakd.rules.estimates import half_width
from soakd.rules.shares import share_between


def pair(number: int, *, minutes: float, ratio: float) -> tuple[bool, bool, float]:
    """Whether speed and energy were called different, and the half width of the gain."""
    old = speed_trial(2 * number, minutes=minutes)
    new = speed_trial(2 * number + 1, minutes=minutes, ratio=ratio)
    found = gain_of(old, new)
    return found.significant, (found.energy_chance or 1.0) < 0.05, half_width(found.rate, 0.95)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pairs", type=int, default=2000)
    parser.add_argument("--minutes", type=float, default=10.0)
    options = parser.parse_args()
    with ProcessPoolExecutor(len(os.sched_getaffinity(0))) as pool:
        for ratio, count in ((RATIO, options.pairs), (1.02 * RATIO, max(1, options.pairs // 10))):
            work = partial(pair, minutes=options.minutes, ratio=ratio)
            results = list(pool.map(work, range(count), chunksize=5))
            called = sum(speed for speed, _, _ in results)
            energy = sum(of_energy for _, of_energy, _ in results)
            low, high = share_between(called, count, 0.95)
            width = sum(half for _, _, half in results) / count
            about = "alike" if ratio == RATIO else "2 % faster"
            print(
                f"{options.minutes:g} min, {about}: {count} pairs, speed called different {called / count:7.2%} "
                f"({low:.2%} to {high:.2%}), known to ± {width:.2%}; energy of an operation {energy / count:7.2%}",
                flush=True,
            )


if __name__ == "__main__":
    main()
