"""The mains fail while the journal is being written: whatever was confirmed before is there afterwards.

A drive that lost its power is simulated at its worst: of every file, only the state of its last sync is left
(tests/power_cut.c). sqlite.org/pragma: in WAL mode, synchronous=FULL syncs after every transaction.
"""

import os
import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from power_cut import NO_COMPILER, built_shim

HERE = Path(__file__).parent
WRITER = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from test_store import TICK, record
from soakd.model.journal import Tick
from soakd.store.journal import Journal
from soakd.store.writer import Writer
journal = Journal(Writer(Path(sys.argv[1])))
run = record()
journal.begin(run)
for number in range(100000):
    journal.add(run, Tick(at_s=float(number), values={}, **{**TICK, "number": number}))
    print(number, flush=True)
"""


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    return built_shim(tmp_path_factory.mktemp("shim")) or pytest.skip(NO_COMPILER)


def cut(tmp_path, library, seconds):
    """Journal written until the power goes; returns the numbers confirmed by then and the folder that is left."""
    disk, left = tmp_path / "disk", tmp_path / "left"
    disk.mkdir()
    left.mkdir()
    environment = {**os.environ, "LD_PRELOAD": str(library), "SHADOW": str(left)}
    command = [sys.executable, "-c", WRITER, str(disk / "journal.db"), str(HERE)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as writer:
        assert writer.stdout.readline() == "0\n"
        time.sleep(seconds)
        writer.kill()
        confirmed = [0, *(int(line) for line in writer.stdout if line.endswith("\n"))]
    return confirmed, left


@pytest.mark.parametrize("seed", range(8))
def test_after_a_power_cut_every_confirmed_tick_is_there_and_the_file_is_whole(tmp_path, library, seed):
    confirmed, left = cut(tmp_path, library, random.Random(seed).uniform(0.0, 0.5))
    assert len(confirmed) > 1
    connection = sqlite3.connect(left / "journal.db")
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    kept = [number for (number,) in connection.execute("SELECT number FROM tick ORDER BY number")]
    connection.close()
    assert kept[: len(confirmed)] == confirmed


def test_the_simulated_cut_does_lose_what_was_not_synced(tmp_path, library):
    """The same writing without syncs loses commits: the simulation can tell the difference."""
    disk, left = tmp_path / "disk", tmp_path / "left"
    disk.mkdir()
    left.mkdir()
    script = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("PRAGMA journal_mode = WAL")
connection.execute("PRAGMA synchronous = NORMAL")
connection.execute("CREATE TABLE t (n INT)")
connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
for number in range(50):
    connection.execute("INSERT INTO t VALUES (?)", (number,))
import os
os._exit(0)
"""
    environment = {**os.environ, "LD_PRELOAD": str(library), "SHADOW": str(left)}
    subprocess.run([sys.executable, "-c", script, disk / "journal.db"], env=environment, check=True)
    connection = sqlite3.connect(left / "journal.db")
    assert connection.execute("SELECT count(*) FROM t").fetchone()[0] < 50
    connection.close()
