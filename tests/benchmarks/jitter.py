"""How late the guard's ticks are with every core saturated: `python tests/benchmarks/jitter.py [SECONDS]`.

Ten ticks a second, the vector workload on all cores; so many seconds (600) with whatever priority the system grants,
and as many where it grants none: in a user namespace, SCHED_FIFO is refused (sched(7): it takes CAP_SYS_NICE in the
first one). The two alternate in spells of a minute. How late each tick was is read from the journal.
"""

import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from soak_bench import Bench, rows

SPELL_S = 60
PRIORITIES = {"as granted": (), "in a user namespace": ("unshare", "-r", "--")}


def spell(prefix: tuple[str, ...], seconds: int) -> tuple[list[float], str, float]:
    """Lateness of every tick under load, ms; the guard's priority; percent of the weakest core's time checked."""
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        try:
            load = f'workload = "vector"\nduration = "{seconds} s"'
            plan = bench.plan(load, guard='temperature = "if-available"\ntick = "0.1 s"')
            done = bench.start("run", plan, "--json", prefix=prefix).finish(timeout=seconds + 60)
            late_s = rows(bench.home, "SELECT late_s FROM tick WHERE stage IS NOT NULL")
        finally:
            bench.close()
    evidence = done.verdict["evidence"]
    return [1e3 * late for (late,) in late_s], evidence["priority"], evidence["coverage"]["checked_percent"]


def main() -> None:
    left_s = int(sys.argv[1]) if len(sys.argv) > 1 else 600
    late_ms: dict[str, list[float]] = {name: [] for name in PRIORITIES}
    had: dict[str, str] = {}
    checked = 100.0
    while left_s > 0:
        for name, prefix in PRIORITIES.items():
            late, had[name], share = spell(prefix, min(SPELL_S, left_s))
            late_ms[name] += late
            checked = min(checked, share)
        left_s -= SPELL_S
    for name, late in late_ms.items():
        late.sort()
        hundredth = late[int(0.99 * len(late))]
        print(
            f"{name} ({had[name]}): {len(late)} ticks, late by {statistics.median(late):.2f} ms at the median, "
            f"{hundredth:.2f} ms at p99, {late[-1]:.2f} ms at worst"
        )
    print(f"at least {checked:.1f} % of a core's time was the load's")


if __name__ == "__main__":
    main()
