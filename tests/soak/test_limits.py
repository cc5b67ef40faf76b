"""Every consequence of a limit, and the watch after a stop, in real runs on a sensor tree with scripted readings."""

import json
import math
import os
import signal
import threading
import time

import pytest
from bench_tree import Chip, bench_command, make_hwmon, need_namespaces, put
from soak_bench import INTEGER, LONG_INTEGER, command, living, rows, wait_until

pytestmark = [pytest.mark.soak, pytest.mark.thorough]
CHIPS = [
    Chip(driver="k10temp", files={"temp1_input": 45000, "temp1_label": "Tctl", "temp1_crit": 95000}),
    Chip(driver="nct6799", files={"temp7_input": 30000, "temp7_label": "Coolant", "in0_input": 1104}),
]
CPU, COOLANT, RAIL = "hwmon0/temp1_input", "hwmon1/temp7_input", "hwmon1/in0_input"
ROLES = '[roles]\n"hwmon/nct6799/Coolant" = "coolant-temperature"\n'
GUARD = 'temperature = "required"\ntick = "0.2 s"\ngap-hold = "2 s"'
TEN_SECONDS = INTEGER.replace("2 s", "10 s")


class Script:
    """Writes readings again and again, as functions of the time since it began; `go` takes others from then on."""

    def __init__(self, tree):
        self._tree = tree
        self._courses = {}
        self._begun_s = time.monotonic()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._write, daemon=True)
        self._thread.start()

    def go(self, **courses):
        self._begun_s = time.monotonic()
        self._courses = {{"cpu": CPU, "coolant": COOLANT, "rail": RAIL}[name]: of for name, of in courses.items()}

    def close(self):
        self._over.set()
        self._thread.join()

    def _write(self):
        while not self._over.wait(0.05):
            since_s = time.monotonic() - self._begun_s
            for file, course in self._courses.items():
                put(self._tree / file, round(1000 * course(since_s)))


@pytest.fixture
def script(bench):
    need_namespaces()
    made = Script(make_hwmon(bench.folder / "hwmon", CHIPS))
    yield made
    made.close()


def begin(bench, script, stage, *limits, guard=GUARD, more=""):
    """A run on the tree, under load."""
    tables = "".join(f"[[limit]]\n{limit}\n" for limit in limits)
    plan = bench.plan(stage, guard=guard)
    plan.write_text(plan.read_text() + tables)
    config = bench.folder / "soakd.toml"
    config.write_text(f"version = 1\n{more}{ROLES}")
    tree = bench.folder / "hwmon"
    started = bench.start("run", plan, "--config", config, "--json", prefix=bench_command(tree, []))
    wait_until(lambda: started.process.poll() is not None or started.workers(), "no load")
    return started


def test_outside_its_band_a_rail_stops_the_load(bench, script):
    limit = 'of = "hwmon/nct6799/in0"\noutside = ["1.0 V", "1.2 V"]\nhold = "0.5 s"'
    started = begin(bench, script, LONG_INTEGER, limit)
    started.wait_for_load()
    put(bench.folder / "hwmon" / RAIL, 940)
    done = started.finish()
    assert (done.code, done.rules[0]) == (1, "limit-broken")
    reason = done.verdict["reasons"][0]
    assert (reason["sample"], reason["bound"], reason["unit"]) == (pytest.approx(0.94), 1.0, "V")
    assert "outside 1 to 1.2 V" in reason["text"]


def test_a_difference_that_fails_lets_the_run_go_on_to_its_end(bench, script):
    limit = 'of = "cpu-temperature"\nminus = "coolant-temperature"\nabove = "40 K"\nthen = "fail"'
    started = begin(bench, script, INTEGER.replace("2 s", "4 s"), limit)
    script.go(cpu=lambda s: 75.0 + s % 1)
    done = started.finish()
    assert (done.code, done.verdict["outcome"]) == (1, "fail")
    assert done.rules == ["limit-broken"]
    assert done.verdict["evidence"]["stages"][0]["state"] == "complete"
    assert "hwmon/k10temp/Tctl minus coolant-temperature was 4" in done.verdict["reasons"][0]["text"]


def test_a_rise_that_is_only_noted_leaves_a_pass(bench, script):
    limit = 'of = "coolant-temperature"\nrises = "10 K/min"\nover = "5 s"\nthen = "note"'
    started = begin(bench, script, TEN_SECONDS, limit)
    script.go(coolant=lambda s: 30.0 + 0.5 * s, cpu=lambda s: 60.0 + s % 1)
    done = started.finish()
    assert (done.code, done.verdict["outcome"]) == (0, "pass"), done.rules
    (note,) = [note for note in done.verdict["notes"] if note["rule"] == "limit-broken"]
    assert (note["channel"], note["unit"]) == ("hwmon/nct6799/Coolant", "K/min")
    assert 10.0 < note["sample"] < 60.0
    limits = dict(zip(("rise", "heat"), done.verdict["evidence"]["limits"], strict=True))
    assert limits["rise"]["left"] < 0.0 < limits["heat"]["left"]


def test_a_share_of_the_stage_is_counted_and_fails_the_run(bench, script):
    limit = 'of = "cpu-temperature"\nabove = "80 °C"\nshare = "20 %"\nthen = "fail"'
    started = begin(bench, script, TEN_SECONDS, limit)
    script.go(cpu=lambda s: 85.0 if s % 2 < 1 else 70.0)
    done = started.finish()
    assert (done.code, done.rules) == (1, ["limit-broken"])
    assert 20.0 <= done.verdict["reasons"][0]["sample"] < 40.0
    assert done.verdict["evidence"]["stages"][0]["state"] == "complete"


def warming(tau_s):
    return lambda s: 105.0 - 60.0 * math.exp(-s / tau_s)


def test_a_limit_that_is_coming_stops_the_load_before_it_is_there_where_the_plan_asks_for_it(bench, script):
    """90 °C would be reached after tau ln 4 = 42 s."""
    guard = f'{GUARD}\nforesight = "stop"\ncooling-watch = "0 s"'
    started = begin(bench, script, LONG_INTEGER, 'of = "cpu-temperature"\nabove = "90 °C"', guard=guard)
    started.wait_for_load()
    script.go(cpu=warming(30.0))
    done = started.finish()
    assert (done.code, done.rules[0]) == (10, "limit-ahead")
    (summary,) = [c for c in done.verdict["evidence"]["channels"] if c["role"] == "cpu-temperature"]
    assert summary["maximum"] < 90.0
    assert "will be above 90 °C in " in done.verdict["reasons"][0]["text"]
    assert done.verdict["evidence"]["cooling_s"] is None


def heated(bench, script, **options):
    """Stopped by its limit, with the processor at 92 °C from then on."""
    started = begin(bench, script, LONG_INTEGER, 'of = "cpu-temperature"\nabove = "90 °C"', **options)
    started.wait_for_load()
    workers = started.workers()
    script.go(cpu=lambda _: 92.0)
    wait_until(lambda: not living(workers), "the load outlived its limit")
    return started


def cooling(bench):
    return bool(rows(bench.home, 'SELECT 1 FROM event WHERE body LIKE \'%"kind":"cooling"%\''))


def test_after_a_stop_the_bench_is_watched_until_it_has_cooled(bench, script):
    started = heated(bench, script)
    wait_until(lambda: cooling(bench), "nobody watches")
    assert started.process.poll() is None
    script.go(cpu=lambda s: max(48.0, 92.0 - 10.0 * s))
    done = started.finish(20)
    assert (done.code, done.rules[0]) == (1, "limit-broken")
    assert "still-heating" not in done.rules
    assert done.verdict["evidence"]["cooling_s"] > 0.0
    assert done.verdict["evidence"]["channels"][0]["maximum"] is not None


def test_a_bench_that_heats_on_is_told_of_and_the_configured_action_is_run(bench, script):
    folder = bench.folder / "actions"
    folder.mkdir(mode=0o755)
    action = folder / "act.sh"
    action.write_text(f"#!/bin/sh\ncat > {bench.folder}/said\n")
    action.chmod(0o755)
    started = heated(bench, script, more=f'[guard]\nwhen-still-heating = ["{action}"]\n')
    script.go(cpu=lambda s: 92.0 + 0.8 * s)
    said = bench.folder / "said"
    wait_until(lambda: said.is_file() and said.stat().st_size > 0, "the action was not run", 40)
    found = json.loads(said.read_text())["finding"]
    assert (found["rule"], found["channel"]) == ("still-heating", "hwmon/k10temp/Tctl")
    script.go(cpu=lambda _: 45.0)
    done = started.finish(20)
    assert done.code == 1
    assert {"limit-broken", "still-heating"} <= set(done.rules)
    assert "STILL HEATING, LOAD GONE: hwmon/k10temp/Tctl goes on rising" in done.err
    assert f"the action {action} did what it should" in done.err


def test_an_action_that_could_not_be_run_is_refused_before_anything_starts(bench, script):
    started = begin(bench, script, INTEGER, more='[guard]\nwhen-still-heating = ["poweroff"]\n')
    done = started.finish()
    assert done.code == 78
    assert done.err.startswith("soakd: when-still-heating poweroff: give the absolute path of a program")


def test_ctrl_c_ends_the_watch_and_loses_no_verdict(bench, script):
    started = heated(bench, script)
    wait_until(lambda: cooling(bench), "nobody watches")
    started.process.send_signal(signal.SIGINT)
    done = started.finish(20)
    assert (done.code, done.rules[0]) == (1, "limit-broken")
    assert "guard-died" not in done.rules
    assert [note["rule"] for note in done.verdict["notes"] if note["rule"] == "not-cooled"] == ["not-cooled"]


def test_a_machine_that_dies_while_it_cools_loses_no_verdict(bench, script):
    """kill -9 of everything in the watch: the next run judges from the journal, as after a power cut."""
    started = heated(bench, script)
    wait_until(lambda: cooling(bench), "nobody watches")
    assert any("engine_process" in command(pid) for pid in started.descendants())
    os.killpg(started.process.pid, signal.SIGKILL)
    started.process.communicate()
    again = bench.run("run", bench.plan(INTEGER))
    assert "judged now: fail: cpu-temperature: hwmon/k10temp/Tctl read 92.0 °C" in again.err
    ((body,),) = rows(bench.home, "SELECT body FROM verdict WHERE outcome = 'fail'")
    verdict = json.loads(body)
    assert verdict["reasons"][0]["rule"] == "limit-broken"
    assert "cooling-unwatched" in [note["rule"] for note in verdict["notes"]]
