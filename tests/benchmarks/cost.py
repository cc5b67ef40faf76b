"""What the guard costs and how fast commands answer: `python tests/benchmarks/cost.py`.

Processor time and memory of the guard's process are read from /proc/PID/stat and status (proc(5)) over a minute of a
saturating run and a minute without load; whole commands are timed over ten starts, in one state folder with 1,000
stored runs.
"""

import os
import statistics
import sys
import tempfile
import time
import uuid
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from soak_bench import Bench, command

from soakd.clock import utc_text
from soakd.model.snapshot import Snapshot
from soakd.rules.gather import Gatherer
from soakd.rules.judge import judge
from soakd.service.draft import draft_run
from soakd.service.home import Home
from soakd.service.session import UNITS
from soakd.store.journal import Journal
from soakd.store.writer import Writer

WATCHED_S = 60.0
RUNS = 1000
STARTS = 10


def cpu_seconds(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def resident_mib(pid: int) -> float:
    lines = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    return int(lines["VmHWM"].split()[0]) / 1024


def guard_cost(folder: Path) -> str:
    """While all cores are saturated, sampling at 1 Hz."""
    bench = Bench(folder)
    stage = 'workload = "vector"\nduration = "10 min"'
    started = bench.start("run", bench.plan(stage))
    try:
        started.wait_for_load()
        (guard,) = [pid for pid in started.descendants() if "engine_process" in command(pid)]
        time.sleep(2.0)
        before = cpu_seconds(guard)
        time.sleep(WATCHED_S)
        share = 100.0 * (cpu_seconds(guard) - before) / WATCHED_S
        return f"guard, all cores saturated, 1 Hz: {share:.2f} % of one core, peak {resident_mib(guard):.0f} MiB"
    finally:
        bench.close()


def idle_cost(folder: Path) -> str:
    """Sensors watched at 1 Hz without any load."""
    started = Bench(folder).start("sensors", "watch", "--json")
    try:
        time.sleep(3.0)
        before = cpu_seconds(started.process.pid)
        time.sleep(WATCHED_S)
        share = 100.0 * (cpu_seconds(started.process.pid) - before) / WATCHED_S
        return (
            f"sensors watched at 1 Hz, no load: {share:.2f} % of one core, {resident_mib(started.process.pid):.0f} MiB"
        )
    finally:
        started.process.kill()
        started.process.communicate()


def fill(home: Home) -> None:
    """A thousand judged runs of a real plan, made from one real snapshot."""
    from soakd.clock import SystemClock
    from soakd.config.files import load_plan
    from soakd.config.shipped import find

    clock = SystemClock()
    record = draft_run(load_plan(find("three-minutes", "plans")), None, plan_file="", clock=clock)
    after = Snapshot.model_validate(record.snapshot.model_dump())
    home.make()
    writer = Writer(home.journal)
    journal = Journal(writer)
    for number in range(RUNS):
        run = record.model_copy(update={"run_id": uuid.uuid4().hex[:12]})
        journal.begin(run)
        evidence = Gatherer(run, UNITS).evidence(
            finished_utc=utc_text(clock.wall() + number), same_boot=True, suspended_s=0.0, snapshot_after=after
        )
        journal.finish(judge(run, evidence))
    writer.close()


def times(bench: Bench, *words: str) -> str:
    bench.run(*words)  # the first start may compile modules
    taken = []
    for _ in range(STARTS):
        began = time.perf_counter()
        assert bench.run(*words).code == 0
        taken.append(time.perf_counter() - began)
    return f"soakd {' '.join(words)}: median {statistics.median(taken):.3f} s, worst {max(taken):.3f} s"


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        print(guard_cost(Path(folder)))
        print(idle_cost(Path(folder)))
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        fill(Home(bench.home))
        print(f"{RUNS} stored runs, {bench.home.joinpath('journal.db').stat().st_size / 2**20:.1f} MiB")
        print(times(bench, "--help"))
        print(times(bench, "verdict", "list"))
        print(times(bench, "verdict", "list", "--most", "1000"))


if __name__ == "__main__":
    main()
