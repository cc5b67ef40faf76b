"""Do clients make the guard late? `python tests/benchmarks/api_lateness.py [--streams 200] [--hammers 4] [--pages 0]`.

A real soak on all cores, sampled ten times a second. Quiet and crowded spells of `--seconds` each alternate; in a
crowded one many streams listen, pages are open and some clients send request after request, all on this same machine.
How late each tick was is read from the journal.
"""

import argparse
import json
import multiprocessing
import statistics
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "web"))

from api_load import hammers, pages, streams
from daemon_bench import LONG, DaemonBench

SPELLS = 3
PAUSE_S = 2.0


def crowd(path: Path, options: argparse.Namespace) -> Counter[str]:
    """Answers by status after one crowded spell, and how the streams ended."""
    context = multiprocessing.get_context("spawn")
    results = context.Queue()
    until = time.monotonic() + options.seconds
    clients = [
        context.Process(target=work, args=(path, count, until, results))
        for work, count in ((streams, options.streams), (hammers, options.hammers), (pages, options.pages))
        if count
    ]
    for each in clients:
        each.start()
    found = [results.get(timeout=options.seconds + 30) for _ in clients]
    for each in clients:
        each.join()
    return Counter({f"{kind} {end}": number for kind, ends, _ in found for end, number in ends.items()})


def spread(lates_s: list[float]) -> str:
    ordered = sorted(1e3 * late for late in lates_s)
    hundredth = ordered[int(0.99 * len(ordered))]
    return (
        f"{len(ordered)} ticks, median {statistics.median(ordered):.2f} ms, 99 % within {hundredth:.1f} ms, "
        f"at most {ordered[-1]:.1f} ms"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--streams", type=int, default=200)
    parser.add_argument("--hammers", type=int, default=4)
    parser.add_argument("--pages", type=int, default=0)
    parser.add_argument("--seconds", type=int, default=30)
    options = parser.parse_args()
    plan = {**LONG, "guard": {**LONG["guard"], "tick": "100 ms"}}
    quiet: list[float] = []
    crowded: list[float] = []
    ends: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        daemon = DaemonBench(Path(folder))
        try:
            daemon.start().ready()
            daemon.add(plan)
            daemon.wait_for_load()
            for _ in range(SPELLS):
                for kept in (quiet, crowded):
                    time.sleep(PAUSE_S)
                    before = last_tick(daemon)
                    if kept is crowded:
                        ends += crowd(daemon.home / "soakd.sock", options)
                    else:
                        time.sleep(options.seconds)
                    kept.extend(lates(daemon, before, last_tick(daemon)))
            assert daemon.stop() == 0
            (body,) = daemon.rows("SELECT body FROM verdict")[0]
        finally:
            daemon.close()
    totals = [worker["totals"] for worker in json.loads(body)["evidence"]["stages"][0]["workers"]]
    checked = 100.0 * min(each["checked_s"] / each["work_s"] for each in totals)
    print(f"quiet:   {spread(quiet)}")
    print(f"crowded: {spread(crowded)}")
    print(f"answers: {dict(ends)}; {checked:.1f} % of the weakest core's time was the load's")
    sys.exit(1 if any(end.startswith("hammers 5") for end in ends) else 0)


def last_tick(daemon: DaemonBench) -> int:
    return daemon.rows("SELECT max(number) FROM tick")[0][0]


def lates(daemon: DaemonBench, after: int, until: int) -> list[float]:
    return [late for (late,) in daemon.rows(f"SELECT late_s FROM tick WHERE number > {after} AND number <= {until}")]


if __name__ == "__main__":
    main()
