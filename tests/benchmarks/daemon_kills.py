"""kill -9 of daemon, guard or API at random moments: `python tests/benchmarks/daemon_kills.py [KILLS]`.

A loop of short runs. After every kill nothing of the daemon is left and the journal is whole; at the end no entry is
lost or was run twice, and every run is judged.
"""

import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from daemon_bench import SHORT, DaemonBench
from soak_bench import wait_until

ROLES = ("soakd.cli.main", "soakd.service.engine_process", "soakd.service.web_process")


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    dice = random.Random(2026)
    added: list[str] = []
    killed: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        daemon = DaemonBench(Path(folder))
        try:
            for _ in range(count):
                daemon.start().ready()
                added += [daemon.add({**SHORT, "name": f"run {len(added)}"})]
                time.sleep(dice.uniform(0.0, 2.0))
                role = dice.choice(ROLES)
                victims = daemon.role(role) if role != ROLES[0] else [daemon.process.pid]
                for pid in victims:
                    os.kill(pid, signal.SIGKILL)
                    killed[role] += 1
                time.sleep(0.05)
                daemon.kill()
                assert daemon.whole()
            daemon.start().ready()
            open_entries = "SELECT count(*) FROM entry WHERE state IN ('waiting', 'running')"
            wait_until(lambda: daemon.rows(open_entries) == [(0,)], "the queue did not empty", 3600)
            assert daemon.stop() == 0
            assert {entry for (entry,) in daemon.rows("SELECT entry_id FROM entry")} == set(added)
            assert daemon.rows("SELECT entry_id FROM run GROUP BY entry_id HAVING count(*) <> 1") == []
            assert daemon.rows("SELECT count(*) FROM verdict") == [(len(added),)]
            outcomes = dict(daemon.rows("SELECT outcome, count(*) FROM verdict GROUP BY outcome"))
        finally:
            daemon.close()
    print(f"{count} rounds; killed with SIGKILL: {dict(killed)}, and the daemon at the end of each round")
    print(f"{len(added)} entries, none lost, none run twice; verdicts: {outcomes}; journal whole every time")


if __name__ == "__main__":
    main()
