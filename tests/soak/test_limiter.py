"""The last resort under full load: whatever hangs, the load is gone within seconds and the verdict says so afterwards.

A guard that is stopped for good: tests/drill. The distribution of times: tests/benchmarks/limiter.py.
"""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from bench_tree import Chip, bench_command, make_hwmon, need_namespaces, put
from soak_bench import INTEGER, LONG_INTEGER, living, rows, unfinished, wait_until
from soaking import Soaking

pytestmark = pytest.mark.soak
WITHIN_S = 3.0
TESTS = Path(__file__).resolve().parents[1]
PROCESSOR = Chip(driver="k10temp", files={"temp1_input": 45000, "temp1_label": "Tctl", "temp1_crit": 95000})
GUARDED = 'temperature = "required"\ntick = "0.1 s"\ngap-hold = "1 s"\ncooling-watch = "1 s"'


@pytest.fixture
def soaking(bench):
    return Soaking(bench.start("run", bench.plan(LONG_INTEGER), "--json"))


@pytest.mark.thorough
def test_a_guard_that_goes_on_after_that_says_so_itself(soaking):
    assert soaking.stop(soaking.guard) < WITHIN_S
    os.kill(soaking.guard, signal.SIGCONT)
    done = soaking.started.finish()
    assert done.code == 10
    assert done.rules.count("limiter") == 1
    assert "guard-died" not in done.rules
    assert done.verdict["evidence"]["ended_cleanly"]


@pytest.mark.thorough
def test_a_stopped_service_does_not_matter(soaking):
    service = soaking.started.process
    assert soaking.stop(service.pid, soaking.guard) < WITHIN_S
    service.send_signal(signal.SIGCONT)
    done = soaking.started.finish()
    assert done.code == 10
    assert done.rules[:2] == ["limiter", "guard-died"]


@pytest.mark.thorough
def test_nor_does_a_stopped_crew(soaking):
    """Parent and workers stopped too: nobody is left who could answer anything but SIGKILL."""
    assert soaking.stop(soaking.started.process.pid, soaking.guard, soaking.parent, *soaking.workers) < WITHIN_S
    soaking.started.process.send_signal(signal.SIGCONT)
    assert soaking.started.finish().rules[0] == "limiter"


@pytest.mark.thorough
def test_a_service_that_never_comes_back_leaves_the_tale_to_the_next_start(soaking, bench):
    assert soaking.stop(soaking.started.process.pid, soaking.guard) < WITHIN_S
    soaking.started.process.kill()
    soaking.started.finish()
    wait_until(lambda: not living(soaking.everything), "something survived", 10)
    again = bench.run("run", bench.plan(INTEGER))
    assert "judged now: inconclusive: the limiter took the load away: the guard's loop had stood still" in again.err
    ((outcome, body),) = rows(bench.home, "SELECT outcome, body FROM verdict ORDER BY rowid LIMIT 1")
    assert outcome == "inconclusive"
    told = json.loads(body)
    assert told["reasons"][0]["rule"] == "limiter"
    assert told["evidence"]["load_gone_s"] < 1.0
    assert unfinished(bench.home) == 0


@pytest.mark.thorough
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_the_load_does_not_run_without_its_limiter(soaking, number):
    began_s = time.monotonic()
    os.kill(soaking.limiter, number)
    wait_until(lambda: not living(soaking.load), "the load went on", 20)
    assert time.monotonic() - began_s < WITHIN_S
    done = soaking.started.finish()
    assert done.code == 10
    assert done.rules[0] == "limiter-lost"
    assert not living(soaking.everything), "a stopped limiter does not outlive the run either"


@pytest.mark.thorough
def test_a_guard_and_a_limiter_that_hang_together_are_noticed_by_the_service(soaking):
    soaking.stop(soaking.guard, soaking.limiter)
    done = soaking.started.finish(60)
    assert done.code == 10
    assert done.rules[0] == "guard-died"
    assert "said nothing for" in done.verdict["reasons"][0]["text"]
    assert not living(soaking.everything)


@pytest.mark.thorough
def test_what_the_limiter_watched_stands_in_the_verdict(bench):
    done = bench.run("run", bench.plan(INTEGER), "--json")
    (said,) = [note["text"] for note in done.verdict["notes"] if note["rule"] == "watched"]
    assert "the limiter watched" in said
    assert "limiter" not in done.rules


@pytest.fixture
def warm(bench):
    """Under load on a bench with a processor temperature: the guard's limit is 90 °C, the limiter's setting 93 °C."""
    need_namespaces()
    tree = make_hwmon(bench.folder / "hwmon", [PROCESSOR])
    plan = bench.plan(LONG_INTEGER, guard=GUARDED)
    return Soaking(bench.start("run", plan, "--json", prefix=bench_command(tree, []))), tree / "hwmon0/temp1_input"


@pytest.mark.thorough
def test_heat_that_only_the_limiter_can_see_fails_the_run(warm):
    soaking, sensor = warm
    os.kill(soaking.guard, signal.SIGSTOP)
    put(sensor, 94000)
    assert soaking.stop() < WITHIN_S
    done = soaking.started.finish()
    assert done.code == 1
    reason = done.verdict["reasons"][0]
    assert (reason["rule"], reason["weight"], reason["channel"]) == ("limiter", "fail", "hwmon/k10temp/Tctl")
    assert (reason["sample"], reason["bound"], reason["unit"]) == (94.0, 93.0, "°C")
    assert "the guard's limit of 90 °C" in reason["text"]
    (said,) = [note["text"] for note in done.verdict["notes"] if note["rule"] == "watched"]
    assert "hwmon/k10temp/Tctl by itself (set to 93 °C)" in said


@pytest.mark.thorough
def test_where_the_guard_answers_the_limiter_is_silent(warm):
    """The same heat with a guard that lives: it decides, with its reasons, before the limiter does."""
    soaking, sensor = warm
    put(sensor, 94000)
    wait_until(lambda: not living(soaking.load), "the load went on", 20)
    put(sensor, 45000)
    done = soaking.started.finish()
    assert (done.code, done.rules[0]) == (1, "limit-broken")
    assert "limiter" not in done.rules


@pytest.mark.thorough
def test_a_stopped_guard_with_its_sensors_gone_costs_the_load_too(warm):
    soaking, sensor = warm
    for path in sensor.parent.iterdir():
        path.unlink()
    assert soaking.stop(soaking.guard) < WITHIN_S
    assert soaking.started.finish().code == 10


ON_A_FULL_DRIVE = f"""
import os, signal, subprocess, sys
sys.path.insert(0, {str(TESTS)!r})
from pathlib import Path
from soak_bench import Bench, INTEGER, LONG_INTEGER, living, rows, wait_until
from soaking import Soaking
folder = Path(sys.argv[1])
subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)], check=True)
bench = Bench(folder)
soaking = Soaking(bench.start("run", bench.plan(LONG_INTEGER)))
os.kill(soaking.started.process.pid, signal.SIGSTOP)
try:
    with open(folder / "fill", "wb", buffering=0) as fill:
        while True:
            fill.write(bytes(4096))
except OSError:
    pass
took_s = soaking.stop(soaking.guard)
soaking.started.process.kill()
soaking.started.finish()
wait_until(lambda: not living(soaking.everything), "something survived", 10)
(folder / "fill").unlink()
again = bench.run("run", bench.plan(INTEGER))
print(took_s)
print(again.err)
"""


@pytest.mark.thorough
def test_a_full_drive_stops_neither_the_limiter_nor_its_tale(bench):
    """A tmpfs of 4 MB, full to the last block while guard and service hang; the next start tells what happened."""
    need_namespaces()
    script = ["unshare", "-rm", sys.executable, "-c", ON_A_FULL_DRIVE, str(bench.folder)]
    done = subprocess.run(script, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    took_s, said = done.stdout.split("\n", 1)
    assert float(took_s) < WITHIN_S
    assert "judged now: inconclusive: the limiter took the load away" in said
