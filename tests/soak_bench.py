"""Real runs of the real command, each with a state folder of its own."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from soakd.crew.capacity import CACHES, available_memory_bytes, last_level_cache_bytes
from soakd.service.home import put_whole
from soakd.service.tuning import NAME, KeptOrder, unknown_core
from soakd.workloads.families import cpuinfo
from soakd.workloads.integer.streams import ORDER

CORES = sorted(os.sched_getaffinity(0))
DEADLINE_S = 90.0
UNTOUCHED = (
    *("env", "--default-signal=HUP,INT,TERM,TSTP"),
    *("--unset=PYTHONUNBUFFERED", "--unset=PYTHONDONTWRITEBYTECODE"),
)
"""Whoever runs the tests may ignore signals, write unbuffered or keep no bytecode; the command tested is a user's."""


def plan_text(*stages, guard='temperature = "if-available"', top=""):
    """A little other work on the machine is no matter of these tests; a process of ours that spins must fail them."""
    parts = ["version = 1", 'name = "Test"', top or 'coverage-floor = "80 %"', "[guard]", guard]
    parts += [f'[[stage]]\nname = "Stage {number}"\n{stage}' for number, stage in enumerate(stages, start=1)]
    return "\n".join(parts) + "\n"


INTEGER = 'workload = "integer"\nduration = "2 s"'
LONG_INTEGER = 'workload = "integer"\nduration = "10 min"'
VECTOR = 'workload = "vector"\nduration = "2 s"'
SHARE = max(4, -(-110 * CACHES * last_level_cache_bytes() // available_memory_bytes()))
"""Percent of memory: little, and yet more than the caches could answer for, which on a shared host are large."""
MEMORY = f'workload = "memory"\nmemory = "{SHARE} %"\nduration = "3 s"'


@dataclass
class Started:
    """A `soakd run` that is going on."""

    process: subprocess.Popen
    home: Path

    def descendants(self):
        """Process id to command line of everything below the command, deepest last."""
        return descendants(self.process.pid)

    def workers(self):
        """Forked workers of this run: children of its crew's parent process."""
        tree, own = parents(), set(self.descendants())
        return [pid for pid, parent in tree.items() if parent in own and "soakd.crew.child" in command(parent)]

    def wait_for_load(self, workers=None):
        """Until every worker exists and the journal has a row of readings under load."""
        expected = len(CORES) if workers is None else workers
        wait_until(lambda: len(self.workers()) == expected and loaded_ticks(self.home) > 0, "no load")

    def finish(self, timeout=DEADLINE_S):
        out, err = self.process.communicate(timeout=timeout)
        return Done(self.process.returncode, out, err)


@dataclass
class Done:
    """A command that has ended."""

    code: int
    out: str
    err: str

    @property
    def verdict(self):
        return json.loads(self.out)

    @property
    def rules(self):
        return [reason["rule"] for reason in self.verdict["reasons"]]


def parents():
    """Process to parent, for every process that there is."""
    found = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if fields[0] != "Z":
                found[int(entry.name)] = int(fields[1])
    return found


def command(pid):
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode()
    except OSError:
        return ""


def descendants(root):
    """All living processes below one."""
    tree, found = parents(), []
    wave = [root]
    while wave:
        wave = [pid for pid, parent in tree.items() if parent in wave]
        found += wave
    return found


def loaded_ticks(home):
    """Rows of readings under load of the run that goes on."""
    query = "SELECT count(*) FROM tick JOIN run USING (run_id) WHERE stage IS NOT NULL AND state = 'soaking'"
    return count(home, query)


def unfinished(home):
    return count(home, "SELECT count(*) FROM run WHERE state <> 'finished'")


def count(home, query):
    """0 while there is no journal yet."""
    try:
        return rows(home, query)[0][0]
    except sqlite3.Error:
        return 0


def rows(home, query):
    connection = sqlite3.connect(f"file:{home / 'journal.db'}?mode=ro", uri=True, timeout=5)
    try:
        return connection.execute(query).fetchall()
    finally:
        connection.close()


def wait_until(true, what, timeout=DEADLINE_S):
    deadline = time.monotonic() + timeout
    while not true():
        assert time.monotonic() < deadline, what
        time.sleep(0.02)


def living(pids):
    alive = parents()
    return [pid for pid in pids if pid in alive]


def searched(home):
    """The state folder of a machine whose issue order was searched for before, where one is needed: returns it."""
    core = unknown_core(cpuinfo())
    if core is not None:
        home.mkdir(mode=0o700)
        kept = KeptOrder(core=core, seed=0, begun_utc="", boot_id="", soakd_version="", order=ORDER)
        put_whole(home / NAME, kept.model_dump_json())
    return home


class Bench:
    """Starts the command with a state folder below a temporary one."""

    def __init__(self, folder):
        self.folder = folder
        self.home = searched(folder / "state")
        self.started = []

    def plan(self, *stages, **parts):
        path = self.folder / "plan.toml"
        path.write_text(plan_text(*stages, **parts))
        return path

    def start(self, *arguments, prefix=(), home=None):
        home = home or self.home
        process = subprocess.Popen(
            [*UNTOUCHED, *prefix, sys.executable, "-m", "soakd.cli.main", *map(str, arguments)],
            env={**os.environ, "SOAKD_HOME": str(home)},
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip
        started = Started(process, home)
        self.started.append(started)
        return started

    def run(self, *arguments, **options):
        return self.start(*arguments, **options).finish()

    def close(self):
        for started in self.started:
            if started.process.poll() is None:
                os.killpg(started.process.pid, signal.SIGKILL)
                started.process.communicate()
