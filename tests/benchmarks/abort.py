"""How long from the reading that breaks a limit to the last worker gone: `python tests/benchmarks/abort.py [ABORTS]`.

Each abort is a run of its own: all cores saturated by the vector workload, a sensor tree over /sys/class whose
temperature is raised at a random moment, sampled every 0.1 s. The time is the guard's own, from the moment the breaking
reading had been read to the moment the kernel reported the last worker dead (pidfd). Aim: median ≤ 20 ms, p99 of
1,000 ≤ 100 ms.
"""

import random
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench_tree import Chip, bench_command, make_hwmon, put
from soak_bench import Bench

GUARDED = 'temperature = "required"\ntick = "0.1 s"\ncooling-watch = "0 s"'
LONG_VECTOR = 'workload = "vector"\nduration = "10 min"'


def one_abort(seed: int) -> tuple[float, str]:
    """Seconds, and the priority that the guard had."""
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        tree = make_hwmon(
            bench.folder / "hwmon",
            [Chip(driver="k10temp", files={"temp1_input": 45000, "temp1_label": "Tctl", "temp1_crit": 95000})],
        )
        plan = bench.plan(LONG_VECTOR, guard=GUARDED)
        started = bench.start("run", plan, "--json", prefix=bench_command(tree, []))
        try:
            started.wait_for_load()
            time.sleep(random.Random(seed).uniform(0.0, 0.3))
            put(tree / "hwmon0/temp1_input", 93000)
            done = started.finish()
        finally:
            bench.close()
        evidence = done.verdict["evidence"]
        assert done.rules[0] == "limit-broken", done.rules
        assert evidence["survivors"] == 0
        return evidence["load_gone_s"], evidence["priority"]


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    times, priorities = [], set()
    for number in range(count):
        gone_s, priority = one_abort(number)
        times.append(gone_s * 1e3)
        priorities.add(priority)
    times.sort()
    print(f"{count} aborts; guard: {', '.join(sorted(priorities))}")
    print(
        f"reading to last worker gone, ms: median {statistics.median(times):.1f}, "
        f"p99 {times[min(count - 1, round(0.99 * count))]:.1f}, worst {times[-1]:.1f}"
    )


if __name__ == "__main__":
    main()
