"""How often the bound on the mean time between errors holds: `python tests/benchmarks/demonstration.py [--benches N]`.

Each bench errs at a constant rate that is known; the bound holds where it is no longer than the true mean. A test that
ends with its r-th error is exact: 90 % of the benches, for every r. In a fixed time the errors are a count, which moves
in steps: there the 90 % are the least, and the true share follows from the Poisson distribution (printed beside it).
"""

import argparse
import sys
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from soakd.rules.demonstration import shown_mean_s
from soakd.rules.shares import share_between

CONFIDENCE = 0.90
MEAN_S = 7200.0


def line(about: str, held: int, benches: int, exact: float) -> None:
    low, high = share_between(held, benches, 0.95)
    print(f"{about:44} {held / benches:7.2%} ({low:.2%} to {high:.2%}), exact {exact:.2%}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--benches", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    draws = np.random.default_rng(options.seed)
    for errors in (1, 3, 10):
        times_s = MEAN_S * draws.gamma(errors, size=options.benches)
        held = sum(shown_mean_s(t, CONFIDENCE, errors, ended_by_error=True) <= MEAN_S for t in times_s)
        line(f"stopped at error {errors}", held, options.benches, CONFIDENCE)
    for times in (1.0, 3.0, 10.0, 100.0, 1000.0):
        counts = draws.poisson(times, size=options.benches)
        bounds_s = {int(n): shown_mean_s(times * MEAN_S, CONFIDENCE, int(n)) for n in np.unique(counts)}
        held = sum(bounds_s[int(n)] <= MEAN_S for n in counts)
        fewest = next(n for n in range(10_000) if shown_mean_s(times * MEAN_S, CONFIDENCE, n) <= MEAN_S)
        line(
            f"fixed time of {times:g} times the mean", held, options.benches, float(stats.poisson.sf(fewest - 1, times))
        )


if __name__ == "__main__":
    main()
