"""10,000 entries and 10,000 verdicts: `python tests/benchmarks/queue_scale.py [COUNT]`.

Times of the store's own steps on a real drive (median and worst of 50), and the daemon's memory with that journal.
"""

import statistics
import sys
import tempfile
import time
import uuid
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from daemon_bench import DaemonBench
from queue_bench import Bench, plan

from soakd.clock import utc_text
from soakd.model.entry import EntryRequest
from soakd.rules.gather import Gatherer
from soakd.rules.judge import judge
from soakd.rules.standing import standing
from soakd.sensors.snapshot import take_snapshot
from soakd.service.draft import draft_run
from soakd.service.session import UNITS
from soakd.store.ledger import Ledger
from soakd.store.queue import claimed

REPEATS = 50


def timed(name: str, step: Callable[[], object], repeats: int = REPEATS) -> None:
    taken = []
    for _ in range(repeats):
        began = time.perf_counter()
        step()
        taken.append(1e3 * (time.perf_counter() - began))
    print(f"{name}: median {statistics.median(taken):.1f} ms, worst {max(taken):.1f} ms")


def fill(bench: Bench, count: int) -> None:
    """All synced as in real use; the slow part is the drive."""
    request = EntryRequest(plan=plan("later"))
    record = draft_run(plan(), None, plan_file="", clock=bench.clock)
    for number in range(count):
        bench.queue.add(uuid.uuid4().hex[:12], utc_text(0.0), request, utc_text(4e9 + number))
        run = record.model_copy(update={"run_id": uuid.uuid4().hex[:12]})
        bench.journal.begin(run)
        evidence = Gatherer(run, UNITS).evidence(
            finished_utc=utc_text(float(number)), same_boot=True, suspended_s=0.0, snapshot_after=run.snapshot
        )
        bench.journal.finish(judge(run, evidence).model_copy(update={"outcome": "pass"}))


def claim(bench: Bench) -> None:
    start = bench.dispatcher.next_start()
    assert start is not None
    bench.journal.begin(start.record, start.entry.entry_id, claim=[claimed(start.entry)])


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    with tempfile.TemporaryDirectory() as folder:
        daemon = DaemonBench(Path(folder))
        daemon.home.mkdir(mode=0o700, exist_ok=True)
        bench = Bench(daemon.home / "journal.db")
        fill(bench, count)
        size_mib = (daemon.home / "journal.db").stat().st_size / 2**20
        print(f"{count} entries waiting, {count} verdicts, {size_mib:.0f} MiB")
        ledger = Ledger(daemon.home / "journal.db")
        timed("list 100 entries", lambda: bench.queue.lines(100))
        timed("list 100 verdicts", lambda: ledger.newest(100))
        timed("add", lambda: bench.add("now"))
        timed("choose, draft and claim", lambda: claim(bench))
        timed("standing", lambda: standing(bench.journal.newest_of_passed(), take_snapshot()))
        ledger.close()
        bench.writer.close()
        daemon.start().ready()
        time.sleep(3.0)
        lines = Path(f"/proc/{daemon.process.pid}/status").read_text().splitlines()
        fields = dict(line.split(":", 1) for line in lines)
        print(f"daemon with this journal: {int(fields['VmRSS'].split()[0]) / 1024:.0f} MiB resident")
        daemon.close()


if __name__ == "__main__":
    main()
