"""Speed of every kernel this core can run, against the core's own limit: `python tests/benchmarks/kernels.py`.

Each sample is a few milliseconds of one kernel between two clock probes; cycles are thread processor time times the
mean of the two, and samples whose probes differ by more than 0.8 % are dropped.  The 10th percentile is printed (what
the kernel costs when left alone), with the median beside it (what it cost today).  Memory is compared with numpy.copyto
on the same core in the same run: a ratio to a copy says more than gigabytes per second on somebody else's machine.

The limits assume two multiply pipes and two add pipes of 256 bits, 512 bits taking two turns, and four integer adders,
one of them with the multiplier.  On a core built differently the shares are wrong and the cycles still right.
"""

from __future__ import annotations

import argparse
import os
import statistics
from time import perf_counter_ns, thread_time_ns

import numpy as np

from soakd.workloads import catalog, classes, integer, vector
from soakd.workloads.clockprobe import ClockProbe

SAMPLE_S = 0.002
STEADY = 0.008
MULTIPLY_SLOTS = {True: 4, False: 3}
"""Per vector step: a fused recipe multiplies in four instructions, a separate one in three (and adds in three)."""


def no_beat() -> None:
    """Nobody watches a benchmark's heartbeat."""


def cycles_per_step(probe: ClockProbe, advance, steps_per_count: int, samples: int) -> tuple[float, float, float]:
    """10th percentile and median of cycles per step, and the median clock in MHz."""
    begun_ns = thread_time_ns()
    advance(20_000)
    count = int(20_000 * SAMPLE_S * 1e9 / max(thread_time_ns() - begun_ns, 1))
    cycles, clocks = [], []
    while len(cycles) < samples:
        before = probe.mhz()
        begun_ns = thread_time_ns()
        advance(count)
        spent_ns = thread_time_ns() - begun_ns
        after = probe.mhz()
        if abs(before - after) < STEADY * before:
            clocks.append((before + after) / 2)
            cycles.append(spent_ns * clocks[-1] / 1e3 / (count * steps_per_count))
    return statistics.quantiles(cycles, n=10)[0], statistics.median(cycles), statistics.median(clocks)


def check_share(task) -> tuple[float, int]:
    """Share of a half-second round that its check takes, and the faults of that round."""
    task.round(0.1, no_beat)
    done = task.round(0.5, no_beat)
    return done.check_s / done.work_s, done.fault_count


def show_integer(probe: ClockProbe, samples: int) -> None:
    task = catalog.build("integer", "scalar").task(memory_bytes=0, beat=no_beat)
    best, median, mhz = cycles_per_step(probe, task.advance, integer.UNROLL, samples)
    share, faults = check_share(task)
    operations, limit = integer.OPERATIONS_PER_STEP, integer.OPERATIONS_PER_STEP / 4
    print(
        f"integer  scalar          {mhz:7.1f} MHz  {best:6.3f} ({median:6.3f}) cycles/step  "
        f"{operations / best:5.2f} operations/cycle  {integer.STREAMS / best:5.3f} multiplies/cycle  "
        f"{limit / best:6.1%} of limit  check {share:.3%}  faults {faults}"
    )


def show_vector(name: str, probe: ClockProbe, samples: int) -> None:
    target = classes.CLASSES[name]
    task = catalog.build("vector", name).task(memory_bytes=0, beat=no_beat)
    best, median, mhz = cycles_per_step(probe, task.advance, vector.VECTORS, samples)
    share, faults = check_share(task)
    limit = MULTIPLY_SLOTS[target.fused] / 2 * max(1, target.register_bits // 256)
    flops = task.lanes * task.recipe.operations_per_step / best
    print(
        f"vector   {name:15} {mhz:7.1f} MHz  {best:6.3f} ({median:6.3f}) cycles/vector step  "
        f"{flops:5.2f} flop/cycle  {limit / best:6.1%} of limit  check {share:.3%}  faults {faults}"
    )


def copy_rate(size_bytes: int) -> float:
    """Bytes read + written per second by numpy.copyto between two halves; the best of several."""
    source = np.ones(size_bytes // 16, dtype=np.uint64)
    target = np.zeros_like(source)
    rates = []
    for _ in range(8):
        begun_ns = perf_counter_ns()
        np.copyto(target, source)
        rates.append(2e9 * source.nbytes / (perf_counter_ns() - begun_ns))
    return max(rates)


def show_memory(name: str, memory_bytes: int, samples: int) -> None:
    task = catalog.build("memory", name).task(memory_bytes=memory_bytes, beat=no_beat)
    rounds = [task.round(0.25, no_beat) for _ in range(max(4, samples // 4))]
    rates = [done.operations / done.work_s for done in rounds]
    copied = copy_rate(memory_bytes)
    print(
        f"memory   {name:15} {max(rates) / 1e9:6.1f} GB/s best, {statistics.median(rates) / 1e9:6.1f} median  "
        f"numpy.copyto {copied / 1e9:5.1f}  ratio {max(rates) / copied:4.2f}  [{task.note}]  "
        f"sweeps {sum(done.sweeps for done in rounds)}  faults {sum(done.fault_count for done in rounds)}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--samples", type=int, default=40)
    parser.add_argument("--memory-mib", type=int, default=1024)
    parser.add_argument("--core", type=int, default=min(os.sched_getaffinity(0)))
    options = parser.parse_args()
    os.sched_setaffinity(0, {options.core})
    probe = ClockProbe()
    if probe.available:
        show_integer(probe, options.samples)
    else:
        print(f"no cycles here: {probe.assumption}")
    for name in classes.available():
        if probe.available and name in catalog.KINDS["vector"].classes:
            show_vector(name, probe, options.samples)
    for name in classes.available():
        if name in catalog.KINDS["memory"].classes:
            show_memory(name, options.memory_mib << 20, options.samples)


if __name__ == "__main__":
    main()
