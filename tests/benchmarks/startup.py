"""From nothing to useful work, and what a worker weighs: `python tests/benchmarks/startup.py [KERNEL ...]`.

The crew itself, as in a run, at the kernel's widest class, with 2, 8 and 32 workers on the cores by turns. Timed are
its start until the kernel is built and tried; the order for a stage until all workers are ready; and until each beats
in its first round, the word to go included. Median of five crews, beside the load average before them. Private memory
is Private_Clean + Private_Dirty of smaps (proc(5)) after three rounds, of the largest worker, without its share of
memory: the mapping that huge pages were asked for. Aim: at work within 0.3 s, and 2 MiB.
"""

import os
import signal
import statistics
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

from soakd.crew import wire
from soakd.crew.capacity import CACHES, available_memory_bytes, last_level_cache_bytes
from soakd.crew.slots import Slots, WorkerState
from soakd.workloads import catalog, classes

WORKERS = (2, 8, 32)
KERNELS = ("integer/streams", "vector/lanes", "vector/matrix", "exchange/counters")
CREWS = 5
ROUNDS = 3
LONGEST_S = 60.0


def private_mib(pid: int) -> float:
    total_kib = mapping_kib = 0
    for line in Path(f"/proc/{pid}/smaps").read_text(encoding="utf-8").splitlines():
        name, _, value = line.partition(":")
        if name in ("Private_Clean", "Private_Dirty"):
            mapping_kib += int(value.split()[0])
        elif name == "VmFlags":
            total_kib += 0 if "hg" in value.split() else mapping_kib
            mapping_kib = 0
    return total_kib / 1024


def stage_of(workload: str, instruction_class: str, count: int) -> wire.StageOrder:
    cores = sorted(os.sched_getaffinity(0))
    percent = None
    if catalog.kind_of(workload).uses_memory:
        percent = 110.0 * CACHES * last_level_cache_bytes() / available_memory_bytes()
    return wire.StageOrder(
        workload=workload,
        instruction_class=instruction_class,
        cores=tuple(cores[i % len(cores)] for i in range(count)),
        memory_percent=percent,
    )


def first_beats(slots: Slots) -> None:
    """Wait until each worker has come to its first round and beaten in it."""
    entered: dict[int, int] = {}
    waiting = set(range(slots.workers))
    while waiting:
        for worker in tuple(waiting):
            beats = slots.beats(worker)
            if slots.state(worker) is WorkerState.WORKING and beats > entered.setdefault(worker, beats):
                waiting.discard(worker)
        time.sleep(0.0005)


@contextmanager
def crew_of(slots: Slots):
    """A crew's parent: where orders go, and where events come from."""
    orders_read, orders = os.pipe()
    events_read, events_write = os.pipe()
    handed = (orders_read, events_write, slots.descriptor)
    crew = subprocess.Popen(
        [sys.executable, "-P", "-m", "soakd.crew.child", *map(str, (os.getpid(), *handed, slots.workers))],
        pass_fds=handed,
        start_new_session=True,
    )
    os.close(orders_read)
    os.close(events_write)
    with os.fdopen(orders, "wb", 0) as writer, os.fdopen(events_read, "rb") as reader:
        yield writer, reader
        os.killpg(crew.pid, signal.SIGKILL)
        crew.wait()


def measured(workload: str, count: int) -> tuple[float, float, float, float]:
    """Seconds until built and tried, from there until all ready, and until all at work; MiB."""
    instruction_class = classes.resolve(catalog.entry(workload).classes, "widest")
    slots = Slots.create(count)
    began_s = time.monotonic()
    with crew_of(slots) as (orders, events):
        orders.write(wire.encode_order(wire.PrepareOrder(programs=((workload, instruction_class),), drill=False)))
        wire.decode_event(events.readline())
        built_s = time.monotonic()
        orders.write(wire.encode_order(stage_of(workload, instruction_class, count)))
        pids = [wire.decode_event(events.readline()).pid for _ in range(count)]
        ready_s = time.monotonic()
        slots.go(round(ready_s * 1e9), round((ready_s + LONGEST_S) * 1e9))
        first_beats(slots)
        worked_s = time.monotonic()
        while min(slots.totals(worker).rounds for worker in range(count)) < ROUNDS:
            time.sleep(0.05)
        private = max(private_mib(pid) for pid in pids)
    slots.close()
    return built_s - began_s, ready_s - built_s, worked_s - built_s, private


def main() -> None:
    for workload in sys.argv[1:] or KERNELS:
        for count in WORKERS:
            load = os.getloadavg()[0]
            built_s, ready_s, worked_s, private = zip(*(measured(workload, count) for _ in range(CREWS)), strict=True)
            print(
                f"{workload:18} {count:2} workers: built in {statistics.median(built_s):.3f} s; all ready "
                f"{statistics.median(ready_s):.3f} s and at work {statistics.median(worked_s):.3f} s later (at most "
                f"{max(worked_s):.3f}); {max(private):.2f} MiB private; load average {load:.1f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
