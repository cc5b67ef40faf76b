"""How sharp the edges of pulsed load are: `python tests/benchmarks/pulses.py [SECONDS [ON_PERCENT [KERNEL]]]`.

Two workers, pinned and pulsed exactly as in a run (the worker's own gate, spin and rounds, checks included), on one
clock grid; the monotonic clock is read right before and right after every call of the kernel. Skew is what the two
differ by at the same edge of the same pulse; late and off is what one edge misses the grid by. In kernel: share of the
planned load that was spent in calls, preemption included; counted: what a run would count as checked on the weaker
core. SECONDS for each period, but at least seven pulses. Under SCHED_FIFO the kernel itself takes away what goes beyond
95 % of a second (sched(7), sched_rt_runtime_us): bursts of a second and more show it. Aim: skew p50 ≤ 2 us and p99 ≤ 50
us where nothing else wants the cores.
"""

import json
import os
import statistics
import sys
import time

from soakd.crew.gate import SHORTEST_ROUND_S, PatternGate
from soakd.crew.priority import sleep_precisely
from soakd.crew.slots import Slots
from soakd.model.pace import ROUND_S
from soakd.model.pattern import Pattern, cycle_of
from soakd.workloads import catalog
from soakd.workloads.classes import resolve
from soakd.workloads.spin import Spin

PERIODS_MS = (1, 2, 5, 20, 100, 1000, 10_000)
LEAST_PULSES = 7
PRIORITY = 5


def stamped(task, stamps):
    """The clock next to the kernel call, and nothing else in between."""
    kernel, now = task._kernel, time.monotonic_ns

    def call(address, count):
        begun = now()
        kernel(address, count)
        stamps.append((begun, now()))

    task._kernel = call


def worker(index, core, program, spin, slots, pattern, start_ns, end_ns, fifo, out):
    """The life of one worker, as in a run; its stamps go to `out`."""
    os.sched_setaffinity(0, {core})
    sleep_precisely()
    if fifo:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
    stamps = []
    task = program.task(memory_bytes=0, beat=lambda: None)
    task.round(0.1, lambda: None)
    stamped(task, stamps)
    gate = PatternGate(
        cycle_of(pattern, index, 2), start_ns, end_ns, spin=spin,
        beat=lambda: slots.beat(index), enter=lambda state: slots.enter(index, state),
    )  # fmt: skip
    wrong = counted_ns = 0
    while time.monotonic_ns() < start_ns:
        time.sleep(0.001)
    while (room_s := gate.room_s()) >= SHORTEST_ROUND_S:
        gate.begin_round()
        before = gate.spent()
        wrong += task.round(min(ROUND_S, room_s), lambda: slots.beat(index), None, gate).fault_count
        after = gate.spent()
        counted_ns += after.load_ns - before.load_ns - (after.queued_ns - before.queued_ns)
    with os.fdopen(out, "w") as pipe:
        json.dump({"stamps": stamps, "wrong": wrong, "counted_ns": counted_ns}, pipe)
    os._exit(0)


def edges(stamps, pattern, start_ns):
    """Pulse number to first begin and last end of a kernel in it, and the time in kernels."""
    found = {}
    for begun, ended in stamps:
        number = (begun - start_ns) // pattern.period_ns
        rise, _, work = found.get(number, (begun, 0, 0))
        found[number] = (rise, ended, work + ended - begun)
    return found


def measure(program, spin, slots, pattern, seconds, *, fifo):
    cores = sorted(os.sched_getaffinity(0))[:2]
    start_ns = time.monotonic_ns() + 400_000_000
    end_ns = start_ns + round(seconds * 1e9)
    pipes = []
    for index, core in enumerate(cores):
        read, write = os.pipe()
        if os.fork() == 0:
            worker(index, core, program, spin, slots, pattern, start_ns, end_ns, fifo, write)
        os.close(write)
        pipes.append(read)
    said = []
    for read in pipes:
        with os.fdopen(read) as pipe:
            said.append(json.load(pipe))
    for _ in pipes:
        os.wait()
    assert not any(each["wrong"] for each in said)
    counted = min(each["counted_ns"] for each in said) / cycle_of(pattern, 0, 2).load_ns(end_ns - start_ns)
    return [edges(each["stamps"], pattern, start_ns) for each in said], start_ns, counted


def p50_p99(values_ns):
    ordered = sorted(values_ns)
    return (
        f"{statistics.median(ordered) / 1e3:8.1f} {ordered[min(len(ordered) - 1, int(0.99 * len(ordered)))] / 1e3:8.1f}"
    )


def row(pattern, both, start_ns, counted):
    shared = sorted((set(both[0]) & set(both[1])) - {0})  # the first one begins when the worker hears of it
    at = {n: start_ns + n * pattern.period_ns for n in shared}
    skew_rise = [abs(both[0][n][0] - both[1][n][0]) for n in shared]
    skew_fall = [abs(both[0][n][1] - both[1][n][1]) for n in shared]
    rise = [each[n][0] - at[n] for each in both for n in shared]
    fall = [abs(each[n][1] - at[n] - pattern.on_ns) for each in both for n in shared]
    duty = sum(each[n][2] for each in both for n in shared) / (2 * len(shared) * pattern.on_ns)
    return (
        f"{pattern.period_ns / 1e6:8g} {len(shared):6} {p50_p99(skew_rise)} {p50_p99(skew_fall)} "
        f"{p50_p99(rise)} {p50_p99(fall)} {100 * duty:7.1f} % {100 * counted:5.1f} %"
    )


def fifo_refused():
    """Why the load may not have a real-time priority here, or nothing."""
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(PRIORITY))
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    except OSError as error:
        return error.strerror
    return ""


def main():
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    on_percent = float(sys.argv[2]) if len(sys.argv) > 2 else 50.0
    kernel = sys.argv[3] if len(sys.argv) > 3 else "vector/lanes"
    entry = catalog.entry(kernel)
    program = catalog.build(kernel, resolve(entry.classes, "widest"))
    spin, slots = Spin(), Slots.create(2)
    refused = fifo_refused()
    for fifo in (False, True):
        print(f"\n{kernel}, {on_percent:g} % on, {'SCHED_FIFO' if fifo else 'normal priority'}; all times in us")
        if fifo and refused:
            print(f"refused: {refused}")
            continue
        heads = "".join(f" {name:>17}" for name in ("skew rise", "skew fall", "rise late", "fall off"))
        print(f"{'period':>8} {'pulses':>6}{heads} {'in kernel':>9} {'counted':>7}")
        print(f"{'ms':>8} {'':>6}" + f" {'p50':>8} {'p99':>8}" * 4)
        for period_ms in PERIODS_MS:
            period_ns = period_ms * 1_000_000
            pattern = Pattern(name="pulsed", period_ns=period_ns, on_ns=round(period_ns * on_percent / 100.0))
            length_s = max(seconds, LEAST_PULSES * period_ms / 1e3)
            both, start_ns, counted = measure(program, spin, slots, pattern, length_s, fifo=fifo)
            print(row(pattern, both, start_ns, counted), flush=True)


if __name__ == "__main__":
    main()
