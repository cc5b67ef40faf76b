"""Is one stage faster than another? `python tests/benchmarks/throughput.py [--pairs 2000]`.

Two stages of benches that are alike should be called different in 5 of 100 pairs; one that is 2 % faster should be
found. Speeds scatter from tick to tick (0.5 %) and wander by 1 % with a memory of ten seconds, as in
tests/rules/rate_parts.py; two minutes show why a gain is refused for them. `compare.py` does the same on the virtual
bench.
"""

import argparse
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "rules"))

from rate_parts import stage

from soakd.rules.estimates import chance_of_none, gain, half_width, ratio
from soakd.rules.shares import share_between


def pair(seed: int, *, minutes: float, memory_s: float, times: float) -> tuple[bool, float]:
    """Whether the second was called different at 5 %, and the half width of the gain."""
    old = ratio(*stage(2 * seed, minutes, memory_s=memory_s))
    new = ratio(*stage(2 * seed + 1, minutes, memory_s=memory_s, per_second=times * 1e9))
    if old is None or new is None:
        raise ValueError("too short")
    found = gain(new, old)
    return chance_of_none(found) < 0.05, half_width(found, 0.95)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pairs", type=int, default=2000)
    options = parser.parse_args()
    cases = [(m, 10.0, t) for m in (2.0, 5.0, 10.0, 20.0) for t in (1.0, 1.02)]
    cases += [(20.0, s, 1.0) for s in (0.1, 3.0, 30.0)]
    with ProcessPoolExecutor(len(os.sched_getaffinity(0))) as pool:
        for minutes, memory_s, times in cases:
            work = partial(pair, minutes=minutes, memory_s=memory_s, times=times)
            results = list(pool.map(work, range(options.pairs), chunksize=50))
            called = sum(different for different, _ in results)
            low, high = share_between(called, len(results), 0.95)
            width = sum(half for _, half in results) / len(results)
            about = "alike" if times == 1.0 else f"{times - 1.0:.0%} faster"
            print(
                f"{minutes:g} min, memory {memory_s:g} s, {about:9}: called different {called / len(results):7.2%} "
                f"({low:.2%} to {high:.2%}), gain known to ± {width:.2%}"
            )


if __name__ == "__main__":
    main()
