"""From nothing to useful work, and what a worker weighs: `python tests/benchmarks/startup.py [WORKLOAD]`.

A fresh process loads the compiler, builds one kernel at its widest and forks 2, 8 and 32 workers, as the crew does;
each runs one checked round of 10 ms. Private memory is Private_Clean + Private_Dirty of smaps_rollup (proc(5)).
"""

import json
import os
import subprocess
import sys
import time

WORKERS = (2, 8, 32)
CODE = """
import json, os, sys, time
from soakd.workloads import catalog, classes
began = time.monotonic()
workload, count = sys.argv[1], int(sys.argv[2])
program = catalog.build(workload, classes.resolve(catalog.entry(workload).classes, "widest"))
program.selfcheck()
built, cores, pipes = time.monotonic(), sorted(os.sched_getaffinity(0)), []
program.gather(count)
for seat in range(count):
    read_end, write_end = os.pipe()
    if os.fork() == 0:
        os.sched_setaffinity(0, {cores[seat % len(cores)]})
        task = program.task(memory_bytes=1 << 20, beat=lambda: None, seat=seat)
        done = task.round(0.01, lambda: None)
        ready = time.monotonic()
        lines = open("/proc/self/smaps_rollup").read().splitlines()
        private = sum(int(line.split()[1]) for line in lines if line.startswith("Private_"))
        os.write(write_end, json.dumps([ready - built, private / 1024, done.fault_count]).encode())
        os._exit(0)
    os.close(write_end)
    pipes.append(read_end)
told = [json.loads(os.read(pipe, 4096)) for pipe in pipes]
print(json.dumps([built - began, max(t[0] for t in told), max(t[1] for t in told), sum(t[2] for t in told)]))
"""


def main() -> None:
    workload = sys.argv[1] if len(sys.argv) > 1 else "vector/lanes"
    for count in WORKERS:
        began = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-c", CODE, workload, str(count)], capture_output=True, text=True, check=True,
            env={name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"},
        )  # fmt: skip
        whole = time.monotonic() - began
        built, worked, private, faults = json.loads(done.stdout)
        print(
            f"{workload}, {count:2} workers: built in {built:.3f} s; {worked:.3f} s later all workers had checked "
            f"their first 10 ms of work; {private:.2f} MiB private at most; {faults} faults; {whole:.2f} s in all"
        )


if __name__ == "__main__":
    main()
