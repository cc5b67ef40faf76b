"""A million deliberate single-bit faults: `python tests/benchmarks/flips.py [--flips 1000000] [--clean 20000]`.

Each turn takes fresh operands, evolves them, inverts one bit of the live state, evolves on, and asks the check. Every
kernel that keeps its state in a block is tried, in every class of this core, for as long as each other; one missed flip
ends the benchmark. Clean turns in between must find nothing; from n of them without a false alarm follows a rate below
3/n at 95 % (rule of three: J. Hanley, A. Lippman-Hand, JAMA 249 (1983) 1743).
"""

import argparse
import random
import sys
import time
from collections import Counter

from soakd.workloads import catalog, classes
from soakd.workloads.chain import ChainTask

LONGEST = 40
TURN_S = 0.5


def tasks() -> dict[str, ChainTask]:
    found = {}
    for workload in catalog.workloads():
        if workload == "vector/large":
            continue  # no chain, and one process can hold its library for one class only
        for name in classes.available():
            if name in catalog.entry(workload).classes:
                task = catalog.build(workload, name).task(memory_bytes=1 << 20, beat=lambda: None)
                if isinstance(task, ChainTask):
                    found[f"{workload} {name}"] = task
    return found


def turn(task: ChainTask, dice: random.Random, *, flip: bool) -> bool:
    """Whether the check found something."""
    chain = task._chain
    block = chain.fresh()
    before, after = dice.randint(1, LONGEST), dice.randint(1, LONGEST)
    task.load(block)
    task.advance(before)
    if flip:
        task.invert(dice.randrange(64 * chain.state_words))
    task.advance(after)
    return bool(chain.faults(block, (before + after) * chain.steps_per_count, task.state()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--flips", type=int, default=1_000_000)
    parser.add_argument("--clean", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    dice, every = random.Random(options.seed), tasks()
    flips: Counter[str] = Counter()
    clean: Counter[str] = Counter()
    while flips.total() < options.flips or clean.total() < options.clean:
        for name, task in every.items():
            end_s = time.perf_counter() + TURN_S
            while time.perf_counter() < end_s:
                if not turn(task, dice, flip=True):
                    sys.exit(f"{name}: a flip was missed after {flips[name]} found")
                flips[name] += 1
                if flips[name] % 40 == 0:
                    if turn(task, dice, flip=False):
                        sys.exit(f"{name}: a false alarm after {clean[name]} clean turns")
                    clean[name] += 1
    for name in every:
        print(f"{name:36} {flips[name]:9,} flips, all found; {clean[name]:7,} clean turns, none with a fault")
    rate = 3.0 / clean.total()
    print(f"{flips.total():,} flips, {clean.total():,} clean turns: false alarms below {rate:.1e} a turn (95 %)")


if __name__ == "__main__":
    main()
