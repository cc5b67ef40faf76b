"""kill -9 of a run at random moments: `python tests/benchmarks/kills.py [KILLS]`.

After each kill: no process of the run survives, the database opens and is whole, the orphan is judged by the next run,
and every earlier verdict is still there.
"""

import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from soak_bench import INTEGER, LONG_INTEGER, MEMORY, VECTOR, Bench, living, rows, unfinished, wait_until


def one_kill(bench: Bench, number: int, moment_s: float) -> float:
    """Seconds until the last process was gone."""
    stages = [VECTOR, MEMORY, LONG_INTEGER][number % 3 :]
    started = bench.start("run", bench.plan(*stages))
    try:
        started.process.wait(moment_s)
        raise AssertionError("the run ended by itself")
    except subprocess.TimeoutExpired:
        pass
    everything = started.descendants()
    started.process.kill()
    killed_s = time.perf_counter()
    started.process.communicate()
    wait_until(lambda: not living(everything), "something survived")
    return time.perf_counter() - killed_s


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    dice = random.Random(2026)
    longest_s = 0.0
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        for number in range(count):
            longest_s = max(longest_s, one_kill(bench, number, dice.uniform(0.1, 6.0)))
            if number % 5 == 4:
                known = len(rows(bench.home, "SELECT run_id FROM verdict"))
                orphans = unfinished(bench.home)
                assert bench.run("run", bench.plan(INTEGER)).code == 0
                assert unfinished(bench.home) == 0
                assert rows(bench.home, "PRAGMA integrity_check") == [("ok",)]
                assert len(rows(bench.home, "SELECT run_id FROM verdict")) == known + orphans + 1
        outcomes = dict(rows(bench.home, "SELECT outcome, count(*) FROM verdict GROUP BY outcome"))
    print(f"{count} kills; judged afterwards: {outcomes} (inconclusive: the killed runs that had reached the journal)")
    print(
        f"longest time until the last process was gone: {longest_s * 1e3:.0f} ms; no survivor, database whole each time"
    )


if __name__ == "__main__":
    main()
