"""What becomes of a wrong bit in a temporary: `python tests/benchmarks/temporaries.py [--bits 40] [--only KERNEL]`.

A state's wrong bit is always found; a temporary's can be rounded away before it reaches the state, and then no result
is wrong. One trial is one bit of one temporary in one lane and one turn, with fresh operands; which temporaries there
are, and how they are spoilt: `tests/temporary_parts.py`. Every integer kernel and every vector kernel of our own text,
in every class of this core; in `vector/large` and the memory and exchange kernels only `flips.py` inverts bits.
"""

import argparse
import random
import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from temporary_parts import CHAINS, Fate, Spoiling, temporaries

from soakd.workloads import catalog, classes


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--bits", type=int, default=40, help="for each temporary")
    parser.add_argument("--only", default="", help="kernels whose name begins like this")
    options, dice, here = parser.parse_args(), random.Random(1), classes.available()
    columns = " ".join(f"{fate.value:>33}" for fate in Fate)
    print(f"{'kernel':17} {'class':15} {'temporary':10} {'trials':>7} {columns}")
    for workload in [name for name in CHAINS if name.startswith(options.only)]:
        for level in [each for each in catalog.entry(workload).classes if each in here]:
            for temporary in temporaries(workload, level):
                spoiling = Spoiling(workload, level, temporary)
                fates = Counter(spoiling.trial(dice) for _ in range(options.bits))
                shares = " ".join(f"{fates[fate] / options.bits:33.1%}" for fate in Fate)
                print(f"{workload:17} {level:15} {temporary:10} {options.bits:7,} {shares}", flush=True)


if __name__ == "__main__":
    main()
