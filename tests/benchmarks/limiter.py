"""How long a hung guard leaves the load on: `python tests/benchmarks/limiter.py [TIMES]`.

Each time is a run of its own with all cores saturated by the vector workload. At a random moment SIGSTOP goes to the
guard's process alone, to guard and service, or to guard, service and the crew's parent, by turns; measured is the time
from there to the moment at which no process of the crew is left. Aim: 3 s at most. Then the service goes on, or is
killed and the next start tells; the verdict has to say that it was the limiter.
"""

import json
import random
import signal
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from soak_bench import INTEGER, Bench, rows
from soaking import Soaking

LONG_VECTOR = 'workload = "vector"\nduration = "10 min"'
CASES = ("guard", "guard and service", "guard, service and crew parent")


def one(bench: Bench, number: int) -> tuple[str, float]:
    """What was stopped, and the seconds until the load was gone."""
    case = number % len(CASES)
    soaking = Soaking(bench.start("run", bench.plan(LONG_VECTOR), "--json"))
    service = soaking.started.process
    time.sleep(random.Random(number).uniform(0.0, 1.0))
    stopped = [soaking.guard, service.pid, soaking.parent][: case + 1]
    took_s = soaking.stop(*stopped)
    if case and number % 2:
        service.kill()
        soaking.started.finish()
        bench.run("run", bench.plan(INTEGER))
        ((body,),) = rows(bench.home, "SELECT body FROM verdict ORDER BY rowid DESC LIMIT 1 OFFSET 1")
        rules = [reason["rule"] for reason in json.loads(body)["reasons"]]
    else:
        service.send_signal(signal.SIGCONT)
        rules = soaking.started.finish().rules
    assert rules[0] == "limiter", rules
    return CASES[case], took_s


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    times: dict[str, list[float]] = {case: [] for case in CASES}
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        try:
            for number in range(count):
                case, took_s = one(bench, number)
                times[case].append(took_s)
        finally:
            bench.close()
    for case, each in times.items():
        if each:
            each.sort()
            print(
                f"{case}: {len(each)} times, from SIGSTOP to the load gone: least {each[0]:.2f} s, "
                f"median {statistics.median(each):.2f} s, most {each[-1]:.2f} s"
            )


if __name__ == "__main__":
    main()
