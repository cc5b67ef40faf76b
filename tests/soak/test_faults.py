"""What goes wrong at night, done on purpose: wrong bits, dead workers, kill -9, heat, lost sensors, a full drive."""

import json
import os
import random
import signal
import subprocess
import sys
from array import array
from pathlib import Path

import pytest
from bench_tree import Chip, bench_command, make_hwmon, need_namespaces, put
from soak_bench import CORES, INTEGER, LONG_INTEGER, VECTOR, Done, living, rows, unfinished, wait_until

from soakd.clock import SystemClock
from soakd.config.files import load_plan
from soakd.crew.wire import PlantedFlip
from soakd.service.foreground import Request, run_once
from soakd.service.home import Home

pytestmark = pytest.mark.soak
PROCESSOR = Chip(driver="k10temp", files={"temp1_input": 45000, "temp1_label": "Tctl", "temp1_crit": 95000})
TESTS = Path(__file__).resolve().parents[1]
GUARDED = 'temperature = "required"\ntick = "0.1 s"\ngap-hold = "1 s"\ncooling-watch = "1 s"'


class Silent:
    def orphan(self, verdict): ...
    def note(self, line): ...
    def starting(self, record): ...
    def event(self, event): ...


DRILLED = [
    INTEGER.replace("integer", "integer/lanes"),
    VECTOR.replace("vector", "vector/matrix"),
    'workload = "mixed/apart"\nmemory = "1 %"\nduration = "3 s"',
]
"""The first kernel of each kind is drilled in tests/drill. A drill may do with less memory than the caches hold."""


@pytest.mark.parametrize("stage", DRILLED, ids=lambda stage: stage.split('"')[1])
def test_a_bit_flipped_in_a_live_worker_fails_the_run_within_one_round(bench, stage):
    """A drill: the verdict names core, workload, round, expected, actual and flipped bits, and is marked as a drill."""
    plan = bench.plan(stage)
    workload = load_plan(plan).stages[0].kernel
    flip = PlantedFlip(workload=workload, core=CORES[-1], round=2, bit=12345)
    request = Request(plan=str(plan), flip=flip)
    verdict = run_once(request, Home(bench.home), SystemClock(), Silent()).verdict
    assert verdict.outcome == "fail"
    assert verdict.drill
    (first, *_) = verdict.reasons
    assert first.rule == "wrong-result"
    assert (first.core, first.wrong.workload, first.wrong.round) == (CORES[-1], workload, 2)
    expected, actual, flipped = (
        int(text, 16) for text in (first.wrong.expected, first.wrong.actual, first.wrong.flipped)
    )
    assert expected != actual
    assert expected ^ actual == flipped
    workers = {worker.totals.core: worker.totals for worker in verdict.evidence.stages[0].workers}
    assert workers[CORES[-1]].rounds == 2, "the load was stopped within the round after the wrong one"


def test_a_worker_that_computes_itself_to_death_fails_the_run_and_the_signal_is_named(bench):
    started = bench.start("run", bench.plan(LONG_INTEGER), "--json")
    started.wait_for_load()
    everything = started.descendants()
    os.kill(started.workers()[0], signal.SIGSEGV)
    done = started.finish()
    assert done.verdict["outcome"] == "fail"
    assert done.rules[0] == "worker-died"
    assert "died of signal 11 (SIGSEGV)" in done.verdict["reasons"][0]["text"]
    assert not living(everything)


@pytest.mark.parametrize("attempt", [0, *(pytest.param(n, marks=pytest.mark.thorough) for n in (1, 2))])
def test_kill_9_at_any_moment_leaves_no_load_and_an_orphan_that_is_judged(bench, attempt):
    """More attempts: tests/benchmarks/kills.py."""
    kept = bench.run("run", bench.plan(INTEGER), "--json").verdict
    started = bench.start("run", bench.plan(LONG_INTEGER))
    wait_until(lambda: unfinished(bench.home) == 1, "the run was never on record")
    moment = random.Random(attempt).uniform(0.0, 2.5)
    with pytest.raises(subprocess.TimeoutExpired):
        started.process.wait(moment)
    everything = started.descendants()
    started.process.kill()
    started.finish()
    wait_until(lambda: not living(everything), "something survived kill -9")
    again = bench.run("run", bench.plan(INTEGER))
    assert again.code == 0, again.err
    assert "had never ended; judged now: inconclusive" in again.err
    assert unfinished(bench.home) == 0
    assert rows(bench.home, "PRAGMA integrity_check") == [("ok",)]
    outcomes = rows(bench.home, "SELECT outcome, reason FROM verdict ORDER BY finished_utc")
    assert [outcome for outcome, _ in outcomes] == ["pass", "inconclusive", "pass"]
    assert "cut off" in outcomes[1][1]
    assert rows(bench.home, f"SELECT outcome FROM verdict WHERE run_id = '{kept['run_id']}'") == [("pass",)]


def test_heat_stops_the_run(bench):
    """A sensor tree over /sys/class whose temperature rises under load. That psutil sees the same: tests/bench."""
    need_namespaces()
    tree = make_hwmon(bench.folder / "hwmon", [PROCESSOR])
    started = bench.start("run", bench.plan(LONG_INTEGER, guard=GUARDED), "--json", prefix=bench_command(tree, []))
    started.wait_for_load()
    everything = started.descendants()
    put(tree / "hwmon0/temp1_input", 71000)
    wait_until(lambda: processor_readings(bench.home) == [71.0], "the warmer reading never arrived")
    put(tree / "hwmon0/temp1_input", 93000)
    done = started.finish()
    assert done.code == 1
    assert done.rules[0] == "limit-broken"
    reason = done.verdict["reasons"][0]
    assert (reason["sample"], reason["bound"], reason["unit"]) == (93.0, 90.0, "°C")
    assert "critical 95 °C less 5 K" in reason["text"]
    assert done.verdict["evidence"]["load_gone_s"] < 1.0
    assert done.verdict["evidence"]["survivors"] == 0
    assert {c["name"] for c in done.verdict["evidence"]["channels"] if c["role"] == "cpu-temperature"} == {
        "hwmon/k10temp/Tctl"
    }
    assert not living(everything)


@pytest.mark.thorough
def test_a_full_drive_stops_the_load_says_why_and_damages_nothing_older(bench):
    """The state folder on a 4 MB tmpfs that another program fills up."""
    need_namespaces()
    script = f"""
set -e
mount -t tmpfs -o size=4m tmpfs {bench.folder}
mkdir {bench.folder}/state
printf '%s' "$1" > {bench.folder}/short.toml
printf '%s' "$2" > {bench.folder}/long.toml
export SOAKD_HOME={bench.folder}/state
soakd="{sys.executable} -m soakd.cli.main"
cd {bench.folder}
$soakd run short.toml > /dev/null 2>&1
$soakd run long.toml --json > ../out.json 2> ../err.txt &
run=$!
until {sys.executable} -c "$3"; do sleep 0.1; done
dd if=/dev/zero of=fill bs=4096 > /dev/null 2>&1 || true
code=0; wait $run || code=$?
rm fill
echo $code
$soakd verdict list --json
"""
    short = bench.plan(INTEGER).read_text()
    long = bench.plan(LONG_INTEGER, guard=GUARDED.replace("required", "if-available")).read_text()
    loaded = (
        f"import sys; sys.path.insert(0, {str(TESTS)!r}); import soak_bench; "
        f"from pathlib import Path; sys.exit(soak_bench.loaded_ticks(Path('{bench.folder}/state')) < 3)"
    )
    command = ["unshare", "-rm", "sh", "-c", script, "full", short, long, loaded]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    code, listing = done.stdout.split("\n", 1)
    outside = bench.folder.parent
    stopped = Done(int(code), (outside / "out.json").read_text(), (outside / "err.txt").read_text())
    assert stopped.code == 10
    assert stopped.rules[0] == "journal-lost"
    assert "disk is full" in stopped.verdict["reasons"][0]["text"]
    outcomes = [line["outcome"] for line in Done(0, listing, "").verdict]
    if "could not be kept" in stopped.err:
        assert outcomes == ["pass"]
    else:
        assert outcomes == ["inconclusive", "pass"]


def processor_readings(home):
    """What the newest row holds of the processor's temperature."""
    record, blob = rows(
        home, "SELECT record, readings FROM tick JOIN run USING (run_id) ORDER BY number DESC LIMIT 1"
    )[0]  # fmt: skip
    channels = json.loads(record)["channels"]
    readings = array("f")
    readings.frombytes(blob)
    return [v for c, v in zip(channels, readings, strict=True) if c["role"] == "cpu-temperature"]
