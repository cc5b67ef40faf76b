"""What memory allows a core, and all cores at once, and what sweeps get of it: `python tests/benchmarks/traffic.py`.

Three forms stand beside the memory workloads: a copy (numpy.copyto), an update in place (numpy.invert), which reads and
writes each line once, as a march does, and a sweep that only reads.  All by turns over the same memory, because pages
of one machine need not be equally near, and all cores in the same form at the same moment: bytes read and written by
the program per second of the core's own time, the median of the turns.  The ratio to the copy is taken turn by turn, of
all cores together.  A share is what `soakd workloads measure` takes.  Loads all cores, without a guard: stay there.
"""

import argparse
import json
import multiprocessing
import os
import statistics
import time
from functools import partial

import numpy as np

from soakd.crew.measuring import Fork
from soakd.service.throughput import share_bytes
from soakd.workloads import catalog
from soakd.workloads.classes import WIDEST, resolve
from soakd.workloads.kinds import MEMORY
from soakd.workloads.memory import sweep

SLOT_S = 0.25
DEADLINE_S = 600.0
STEP_BYTES = 8 << 20
COPY = "numpy.copyto"
IN_PLACE = "numpy.invert, in place"
READS = "verifying reads alone"
MARCH = "memory/march"
DEPENDENT = {"memory/chase", "memory/latency"}


def copies(share):
    words = np.frombuffer(share.bytes, dtype=np.uint64)
    source, target = np.split(words, 2)

    def advance() -> int:
        np.copyto(target, source)
        return words.nbytes

    return advance


def updates(share):
    words = np.frombuffer(share.bytes, dtype=np.uint64)

    def advance() -> int:
        np.invert(words, out=words)
        return 2 * words.nbytes

    return advance


def opened(program, share):
    """Fill the share as the workload does, and stand at its beginning."""
    return program._design.walk(program._compiled.kernels, share, lambda: None)


def sweeps(program, share):
    walk = opened(program, share)
    steps = max(1, STEP_BYTES // walk.step_bytes)

    def advance() -> int:
        done = walk.advance(steps)
        if done.wrong:
            raise SystemExit(f"this machine is not sound: {done.faults}")
        return done.bytes_moved

    return advance


def reads(program, share):
    walk = opened(program, share)

    def advance() -> int:
        walk._sweeper.run(sweep.READ_UP, 0, share.size_bytes // 8, walk.background, walk.background)
        return share.size_bytes

    return advance


def turns_of(core: int, forms, size_bytes: int, turns: int, together) -> dict[str, list[float]]:
    """Bytes per second of each form in each turn, on one core; the first turn is for warming up."""
    os.sched_setaffinity(0, {core})
    share = forms[READS].args[0].share(size_bytes, lambda: None)
    rates = {name: [] for name in forms}
    for turn in range(turns + 1):
        for name, form in forms.items():
            advance, moved = form(share), 0
            together.wait()
            end_s, began_s = time.monotonic() + SLOT_S, time.thread_time()
            while not moved or time.monotonic() < end_s:
                moved += advance()
            if turn:
                rates[name].append(moved / (time.thread_time() - began_s))
    return rates


def at_once(cores, forms, size_bytes: int, turns: int) -> dict[str, list[float]]:
    """Bytes per second of all these cores together, turn by turn."""
    together = multiprocessing.get_context("fork").Barrier(len(cores))
    forks = [Fork(partial(turns_of, core, forms, size_bytes, turns, together)) for core in cores]
    each = [fork.answer(DEADLINE_S) for fork in forks]
    return {name: [sum(rates) for rates in zip(*(core[name] for core in each), strict=True)] for name in forms}


def table(rates: dict[str, list[float]]) -> dict[str, dict[str, float]]:
    found = {}
    for name, seen in rates.items():
        ratio = statistics.median(a / b for a, b in zip(seen, rates[COPY], strict=True))
        found[name] = {"per_second": statistics.median(seen), "best": max(seen), "times_copy": ratio}
    return found


def shown(title: str, rows: dict[str, dict[str, float]]) -> None:
    print(f"{title}: GB/s, median and best; times {COPY}")
    for name, row in rows.items():
        print(
            f"  {name:26} {row['per_second'] / 1e9:7.1f} {row['best'] / 1e9:7.1f} {row['times_copy']:6.2f}", flush=True
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kernels", nargs="*")
    parser.add_argument("--turns", type=int, default=12)
    parser.add_argument("--class", dest="level", default=WIDEST)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    of_memory = [name for name in catalog.workloads() if catalog.kind_of(name) is MEMORY and name not in DEPENDENT]
    programs = {
        name: catalog.build(name, resolve(catalog.entry(name).classes, options.level))
        for name in dict.fromkeys((MARCH, *(options.kernels or of_memory)))
    }
    forms = {COPY: copies, IN_PLACE: updates, READS: partial(reads, programs[MARCH])}
    forms |= {name: partial(sweeps, program) for name, program in programs.items()}
    cores = sorted(os.sched_getaffinity(0))
    size_bytes = share_bytes(len(cores))
    answer = {}
    for count in dict.fromkeys((1, len(cores))):
        answer[count] = table(at_once(cores[:count], forms, size_bytes, options.turns))
        if not options.json:
            shown(f"{count} of {len(cores)} cores, shares of {size_bytes >> 20} MiB", answer[count])
    if options.json:
        print(json.dumps(answer))


if __name__ == "__main__":
    main()
