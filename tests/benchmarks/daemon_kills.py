"""kill -9 of daemon, guard or API at random moments: `python tests/benchmarks/daemon_kills.py [KILLS] [--power-cut]`.

A loop of short runs. After every kill nothing of the daemon is left and the journal is whole; at the end no entry is
lost or was run twice, and every run is judged. With `--power-cut` each next daemon finds of the journal only what had
been synced.
"""

import argparse
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
from power_cut import Drive, built_shim
from soak_bench import wait_until

ROLES = ("soakd.cli.main", "soakd.service.engine_process", "soakd.service.web_process")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kills", type=int, nargs="?", default=1000)
    parser.add_argument("--power-cut", action="store_true")
    options = parser.parse_args()
    count = options.kills
    dice = random.Random(2026)
    added: list[str] = []
    killed: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        daemon, drive = DaemonBench(Path(folder)), None
        if options.power_cut:
            drive = Drive(daemon.home, Path(folder) / "left", built_shim(Path(folder)))
        try:
            for number in range(1, count + 1):
                daemon.start(environment=drive and drive.power_on()).ready()
                added += [daemon.add({**SHORT, "name": f"run {len(added)}"})]
                time.sleep(dice.uniform(0.0, 2.0))
                role = dice.choice(ROLES)
                victims = daemon.role(role) if role != ROLES[0] else [daemon.process.pid]
                for pid in victims:
                    os.kill(pid, signal.SIGKILL)
                    killed[role] += 1
                time.sleep(0.05)
                daemon.kill()
                if drive:
                    drive.cut()
                assert daemon.whole()
                if number % 100 == 0:
                    print(f"{number} rounds", flush=True)
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
