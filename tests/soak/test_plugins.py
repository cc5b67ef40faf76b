"""Real runs with plugins: what they do wrong delays no guard, stops what depends on them, and stands in the verdict."""

from pathlib import Path

import pytest
from plugin_parts import sensors
from soak_bench import INTEGER, living, rows, wait_until

from soakd.plugins.loading import digest

pytestmark = [pytest.mark.soak, pytest.mark.thorough]
PLUGINS = Path(__file__).resolve().parents[2] / "plugins"
POWERS = 'workload = "plugin/powers"\nduration = "2 s"'
POWERS_PLUGIN = f'[[plugin]]\nname = "powers"\nkind = "workload"\nsource = "{PLUGINS / "example-workload"}"\n'
TAKEN_BY_OTHERS = {"coverage-low"}
"""What other work on this machine can do to a short run."""
TICKS = 'temperature = "if-available"\ntick = "0.1 s"\ngap-hold = "1 s"'
MODE = """
def read(self):
    import time, os
    mode = open({mode!r}).read()
    if mode == "hang":
        time.sleep(1e6)
    if mode == "die":
        os._exit(1)
    if mode == "raise":
        raise OSError(5, f"no route to {{self.options['url']}}")
    return {{"coolant": 31.5 if mode == "well" else mode, "pump": 2400.0}}, {{}}
"""
URL = "http://probe.harbour.example/planted-secret"


class Bad:
    """A plugin that does what its file says, and the configuration that names it."""

    def __init__(self, folder):
        self.mode = folder / "mode"
        self.do("well")
        self.plugged = sensors(folder / "loop", MODE.format(mode=str(self.mode)))
        self.file = folder / "soakd.toml"
        self.file.write_text(
            f'[[plugin]]\nname = "loop"\nkind = "sensors"\nsource = "{self.plugged.source}"\n'
            f'time-limit = "2 s"\n[plugin.options]\nurl = "{URL}"\n{POWERS_PLUGIN}'
        )

    def do(self, mode):
        new = self.mode.with_suffix(".new")
        new.write_text(mode)
        new.rename(self.mode)


@pytest.fixture
def bad(tmp_path):
    return Bad(tmp_path)


def channel(verdict, name):
    (found,) = (each for each in verdict["evidence"]["channels"] if each["name"] == name)
    return found


def test_a_run_with_a_plugin_s_sensors_and_a_plugin_s_workload_finds_nothing_wrong(bench, bad):
    plan = bench.plan(
        POWERS, INTEGER, top='coverage-floor = "50 %"\n[[limit]]\nof = "coolant-temperature"\nabove = "60 °C"'
    )
    done = bench.run("run", plan, "--config", bad.file, "--json")
    verdict = done.verdict
    assert {reason["rule"] for reason in verdict["reasons"]} <= TAKEN_BY_OTHERS, verdict["reasons"]
    coolant = channel(verdict, "plugin/loop/coolant")
    assert (coolant["role"], coolant["minimum"], coolant["gaps"]) == ("coolant-temperature", 31.5, 0)
    powers, _ = verdict["evidence"]["stages"]
    assert (powers["workload"], powers["unit"], powers["mismatches"]) == ("plugin/powers", "operations", 0)
    assert powers["operations"] > 1000
    code = verdict["evidence"]["digests"]["plugin/powers code"]
    assert code == digest(PLUGINS / "example-workload" / "plugin.py")
    assert "planted-secret" not in done.out + done.err
    everything = b"".join(file.read_bytes() for file in bench.home.rglob("*") if file.is_file())
    assert b"planted-secret" not in everything


@pytest.mark.parametrize(
    ("mode", "reason"),
    [
        ("hang", "late: no answer within 2000 ms"),
        ("die", "its process ended with code 1"),
        ("raise", "it failed: OSError: [Errno 5] no route to <url>"),
        ("rubbish", "rubbish: 'rubbish' is no finite number"),
    ],
)
def test_a_plugin_that_goes_bad_under_load_is_gaps_and_the_guard_misses_no_tick_for_it(bench, bad, mode, reason):
    """Nothing depends on it here, so the run goes on; every other source is read as often as before."""
    started = bench.start("run", bench.plan(INTEGER.replace("2 s", "6 s"), guard=TICKS), "--config", bad.file, "--json")
    started.wait_for_load()
    bad.do(mode)
    verdict = started.finish().verdict
    evidence = verdict["evidence"]
    coolant = channel(verdict, "plugin/loop/coolant")
    assert coolant["readings"] > 0
    assert coolant["gap_reasons"][reason] > 0
    assert evidence["stages"][0]["state"] == "complete"
    assert {finding["rule"] for finding in evidence["findings"]} <= {"remark"}
    ticks, lost = evidence["ticks_due"], evidence["ticks_lost"]
    assert ticks - lost >= 0.9 * 60
    memory = channel(verdict, "psutil/memory available")
    assert memory["readings"] >= memory["gaps"]
    assert (mode in {"die", "raise"}) == any("it is started again after" in f["text"] for f in evidence["findings"])


def test_a_limit_on_a_plugin_that_goes_bad_stops_the_load_when_the_hold_is_over(bench, bad):
    plan = bench.plan(
        INTEGER.replace("2 s", "10 min"),
        guard=TICKS,
        top='coverage-floor = "50 %"\n[[limit]]\nof = "plugin/loop/coolant"\nabove = "60 °C"',
    )
    started = bench.start("run", plan, "--config", bad.file, "--json")
    started.wait_for_load()
    processes = started.descendants()
    bad.do("hang")
    done = started.finish()
    assert done.code == 10
    assert done.rules[0] == "required-reading-lost"
    assert "plugin/loop/coolant: no reading for" in done.verdict["reasons"][0]["text"]
    assert living(processes) == []


def test_a_limit_on_a_plugin_s_channel_is_a_limit(bench, bad):
    plan = bench.plan(INTEGER.replace("2 s", "10 min"), guard=TICKS, top='[[limit]]\nof = "pump"\nbelow = "2000 rpm"')
    bad.plugged = sensors(Path(bad.plugged.source), MODE.format(mode=str(bad.mode)).replace("2400.0", "1800.0"))
    done = bench.run("run", plan, "--config", bad.file, "--json")
    assert done.rules[0] == "limit-broken"
    assert "plugin/loop/pump read 1800.0 rpm, below 2000 rpm" in done.verdict["reasons"][0]["text"]


@pytest.mark.parametrize(
    ("code", "wanted"),
    [
        (
            "def sensors(options): raise ValueError(options['url'])",
            "plugin loop: ValueError: <url>; nothing was started",
        ),
        ("raise SystemExit", "plugin loop: SystemExit; nothing was started"),
    ],
)
def test_a_broken_plugin_is_refused_in_one_line_before_anything_starts(bench, bad, code, wanted):
    (Path(bad.plugged.source) / "plugin.py").write_text(code)
    done = bench.run("run", bench.plan(INTEGER), "--config", bad.file)
    assert done.code == 78
    assert done.err.splitlines()[0] == f"soakd: {wanted}"
    assert "Traceback" not in done.err
    assert not (bench.home / "journal.db").exists() or rows(bench.home, "SELECT count(*) FROM run")[0][0] == 0


def test_a_plan_with_a_workload_of_no_plugin_is_refused_by_name(bench):
    done = bench.run("run", bench.plan(POWERS))
    assert done.code == 78
    assert "stage 1: workload = plugin/powers: there is no plugin of that name here" in done.err


def test_doctor_and_lists_name_each_plugin_and_go_on(bench, bad):
    broken = '[[plugin]]\nname = "gone"\nkind = "sensors"\nsource = "/dev/shm/no-such-probe"\n'
    bad.file.write_text(bad.file.read_text() + broken)
    doctor = bench.run("doctor", "--config", bad.file, "--json")
    said = {check["name"]: check for check in doctor.verdict if check["name"].startswith("plugin/")}
    assert said["plugin/loop"]["state"] == "good"
    assert said["plugin/loop"]["text"].startswith("2 of 2 channels answer")
    assert said["plugin/powers"]["state"] == "good"
    assert (said["plugin/gone"]["state"], doctor.code) == ("bad", 1)
    assert "No such file or directory" in said["plugin/gone"]["text"]
    listed = bench.run("sensors", "list", "--config", bad.file, "--json")
    assert {"plugin/loop/coolant", "plugin/loop/pump"} <= {each["name"] for each in listed.verdict}
    assert listed.err.startswith("soakd: plugin gone: /dev/shm/no-such-probe: No such file or directory")
    offered = bench.run("workloads", "list", "--config", bad.file, "--json")
    (powers,) = (each for each in offered.verdict if each["name"] == "plugin/powers")
    assert powers["classes_here"] == ["scalar"]


def test_the_plugin_s_process_dies_with_a_guard_that_is_killed(bench, bad):
    started = bench.start("run", bench.plan(INTEGER.replace("2 s", "10 min")), "--config", bad.file)
    started.wait_for_load()
    bad.do("hang")
    processes = started.descendants()
    (plugin,) = (pid for pid in processes if "plugin_process" in Path(f"/proc/{pid}/cmdline").read_text())
    started.process.kill()
    started.finish()
    wait_until(lambda: living([plugin]) == [], "the plugin lives on")
    wait_until(lambda: living(processes) == [], "something lives on")
