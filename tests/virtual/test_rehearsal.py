"""Rehearsals: the real conductor, guard and judge on the virtual bench, in seconds."""

from __future__ import annotations

import io
import json
import subprocess
import sys

import pytest
from rich.console import Console
from virtual_parts import CPU, PLACES, home_of, lantern, overnight, plan, planted, sheet, stage

from soakd.cli.main import main
from soakd.errors import ConfigError, RefusedError
from soakd.model.virtual import VirtualBench
from soakd.report.rehearsed import ending, rehearsed_json, rehearsed_text
from soakd.rules.cores import physical
from soakd.service.rehearsal import rehearse

MINUTES = [
    stage(name="Heat", duration_s=300.0),
    stage(name="Walk", workload="integer", pattern="walking", dwell_s=10.0),
]


def rehearsed(of_plan=None, about=None, *, with_sheet=True, seed=1):
    declared = sheet() if with_sheet else None
    return rehearse(of_plan or plan(*MINUTES), declared, about or lantern(), plan_file="trial.toml", seed=seed)


def faulted(what, at="2 min", **more):
    return rehearsed(about=lantern(fault=[{"what": what, "at": at, **more}]))


def text_of(shown, width=80):
    out = io.StringIO()
    Console(file=out, width=width).print(rehearsed_text(shown))
    return out.getvalue()


def first(shown):
    return shown.verdict.reasons[0]


def test_a_healthy_bench_runs_to_its_end_and_passes():
    shown = rehearsed()
    assert (shown.verdict.outcome, shown.complete, shown.down) == ("pass", True, None)
    assert 900.0 < shown.ended_s < 905.0, "load, the building of kernels, the forking of workers"
    assert shown.verdict.evidence.coverage.checked_percent > 99.0
    heat, walk = (each.courses[CPU] for each in shown.stages)
    assert heat.begin < 30.0
    assert heat.end > 60.0
    assert 0.0 <= heat.peak - heat.end < 1.0, "it only got warmer; readings scatter by 0.15 K"
    assert walk.begin == pytest.approx(heat.end, abs=1.0)
    assert walk.end < walk.begin - 10.0
    assert shown.hottest_true_c == pytest.approx(heat.peak, abs=0.5)


@pytest.mark.parametrize("tick_s", [0.1, 0.3, 1.0, 7.0])
def test_whatever_the_grid_no_tick_is_late_and_the_outcome_is_the_same(tick_s):
    shown = rehearsed(plan(stage(duration_s=200.0), tick_s=tick_s))
    assert shown.verdict.outcome == "pass"
    assert shown.verdict.evidence.ticks_lost == 0
    assert shown.verdict.evidence.ticks_due == pytest.approx(202.2 / tick_s, abs=2)
    assert shown.verdict.evidence.late_readings == {"hwmon": 0}


def test_the_same_seed_is_the_same_night():
    about = lantern(silicon={"spread": "12 mV"})
    assert rehearsed_json(rehearsed(about=about, seed=3)) == rehearsed_json(rehearsed(about=about, seed=3))


def test_points_are_covered_as_in_a_real_run():
    shown = rehearsed()
    by = {(p.core, p.active, p.width): p for p in shown.verdict.evidence.points if not p.step}
    assert by[0, 6, 512].state == by[0, 1, 64].state == "covered"
    assert by[0, 6, 512].dwelt_s == pytest.approx(300.0, abs=1.0)
    assert by[0, 1, 64].dwelt_s == pytest.approx(100.0, abs=1.0), "two threads, five turns of 10 s each"
    assert by[0, 1, 64].clock.median_mhz == by[0, 1, 64].allowed_mhz == 5100.0
    assert by[2, 1, 64].allowed_mhz == 5000.0


@pytest.mark.parametrize("pattern", [
    {"pattern": "stepped", "dwell_s": 7.3},
    {"pattern": "walking", "dwell_s": 13.7},
    {"pattern": "pulsed", "period_s": 3.0, "on_percent": 40.0},
    {"pattern": "pulsed", "period_s": 0.01, "on_percent": 40.0},
    {"pattern": "random", "shortest_s": 0.01, "longest_s": 2.0},
])  # fmt: skip
def test_every_pattern_passes_with_its_clocks_held_against_the_sheet(pattern):
    shown = rehearsed(plan(stage(duration_s=400.0, **pattern)))
    assert shown.verdict.outcome == "pass", first(shown).text
    assert not [p for p in shown.verdict.evidence.points if p.state in {"faster", "not reached", "short"}]
    assert shown.verdict.evidence.coverage.checked_percent > 99.0


def test_other_kinds_of_load_run_too_and_memory_is_swept():
    stages = [
        stage(workload="memory", memory_percent=50.0, duration_s=60.0),
        stage(workload="exchange/ring", duration_s=20.0),
        stage(workload="mixed", memory_percent=10.0, duration_s=20.0),
    ]
    assert rehearsed(plan(*stages)).verdict.outcome == "pass"
    short = rehearsed(plan(stages[0].model_copy(update={"duration_s": 10.0})))
    assert first(short).rule == "memory-not-swept"


@pytest.mark.parametrize(
    ("what", "more", "rule", "outcome", "after_s"),
    [
        ("pump-fails", {}, "limit-broken", "fail", (125.0, 300.0)),
        ("sensor-lies", {"channel": CPU, "off": "30 K"}, "limit-broken", "fail", (120.0, 122.0)),
        ("sensor-vanishes", {"channel": CPU}, "required-reading-lost", "inconclusive", (124.0, 126.0)),
        ("sensor-absurd", {"channel": CPU}, "required-reading-lost", "inconclusive", (124.0, 126.0)),
        ("core-weakens", {"core": 3, "more": "60 mV", "above": "60 °C"}, "wrong-result", "fail", (120.0, 123.0)),
        ("core-hangs", {"core": 3}, "worker-hung", "fail", (121.0, 121.5)),
        ("machine-hangs", {}, "machine-went-down", "fail", (120.0, 120.0)),
        ("machine-resets", {}, "machine-went-down", "fail", (120.0, 120.0)),
    ],
)
def test_each_fault_ends_the_run_for_its_own_reason(what, more, rule, outcome, after_s):
    shown = faulted(what, **more)
    assert (first(shown).rule, shown.verdict.outcome, shown.complete) == (rule, outcome, False)
    assert after_s[0] <= shown.ended_s <= after_s[1]
    assert f"after {'2' if shown.ended_s < 180 else '3'} min" in ending(shown)
    assert "in stage 1 (Heat)" in ending(shown)


def test_a_sensor_that_stood_still_when_the_load_came_is_lost():
    shown = faulted("sensor-freezes", at="0 s", channel=CPU)
    assert first(shown).rule == "required-reading-lost"
    reasons = {why for c in shown.verdict.evidence.channels if c.name == CPU for why in c.gap_reasons}
    assert any(why.startswith("frozen") for why in reasons)
    assert 30.0 < shown.ended_s < 45.0


@pytest.mark.parametrize(("what", "more"), [("sensor-freezes", {}), ("sensor-lies", {"off": "-20 K"})])
def test_what_the_guard_cannot_see_the_rehearsal_tells(what, more):
    """One sensor that goes wrong under steady load is believed; here the pump stands too, and nobody stops the load."""
    faults = [{"what": what, "at": "3 min", "channel": CPU, **more}, {"what": "pump-fails", "at": "200 s"}]
    about = lantern(fault=faults, processor={"trip": "130 °C"})
    shown = rehearsed(plan(stage(duration_s=290.0), above="95 °C"), about)
    told_c = max(c.maximum for c in shown.verdict.evidence.channels if c.name == CPU)
    assert shown.hottest_true_c > told_c + 10.0
    assert "a core was really at" in text_of(shown)


def test_a_processor_that_trips_takes_the_machine_down():
    about = lantern(fault=[{"what": "pump-fails", "at": "2 min"}], processor={"trip": "84 °C"})
    shown = rehearsed(about=about)
    assert first(shown).rule == "machine-went-down"
    assert "switched the machine off at 84 °C" in ending(shown)


def test_a_limit_on_another_role_stops_the_run_too():
    limits = [{"of": "coolant-temperature", "above": "30 °C"}, {"of": "package-power", "above": "400 W"}]
    wanted = plan(stage()).model_dump(mode="json") | {"limit": limits}
    shown = rehearsed(type(plan()).model_validate_json(json.dumps(wanted)))
    assert (first(shown).rule, first(shown).channel) == ("limit-broken", "hwmon/lantern/Coolant")
    assert [strip.bound.channel for strip in shown.strips] == [
        "hwmon/lantern/Coolant", "hwmon/lantern/Package", CPU
    ]  # fmt: skip


def test_limits_on_rises_and_differences_have_their_strips_too():
    limits = [
        {"of": "coolant-temperature", "rises": "5 K/min"},
        {"of": "cpu-temperature", "minus": "coolant-temperature", "above": "35 K", "then": "fail"},
    ]
    wanted = plan(stage(duration_s=300.0)).model_dump(mode="json") | {"limit": limits}
    shown = rehearsed(type(plan()).model_validate_json(json.dumps(wanted)))
    assert shown.complete
    assert (first(shown).rule, shown.verdict.outcome) == ("limit-broken", "fail")
    rise, apart, _ = shown.strips
    assert 0.5 < rise.nearest < 5.0
    assert rise.worst[0] is None, "there is no rise yet"
    assert apart.nearest > 35.0
    assert "K beyond it" in text_of(shown)


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("core", [1, 4])
def test_a_planted_core_is_found_at_its_place(place, core):
    """A long stage of each kind; `benchmarks/virtual_nights.py` does whole nights, by the hundred."""
    kind = {
        "hot": stage(duration_s=7200.0),
        "fast": stage(workload="integer", pattern="walking", dwell_s=20.0, duration_s=14400.0),
    }
    calm = stage(workload="integer", cores=(0, 2, 3, 5, 1, 4), duration_s=60.0)
    shown = rehearsed(plan(calm, kind[place], tick_s=10.0), planted(place, core, seed=core), seed=core)
    wrong = first(shown)
    assert (wrong.rule, wrong.stage) == ("wrong-result", 1)
    assert physical(shown.verdict.snapshot_before)[wrong.core] == core


@pytest.mark.parametrize("seed", range(4))
def test_a_healthy_core_is_never_accused(seed):
    long = [stage(duration_s=3600.0), stage(workload="integer", pattern="walking", dwell_s=20.0, duration_s=3600.0)]
    assert rehearsed(plan(*long, tick_s=10.0), seed=seed).verdict.outcome == "pass"


def test_without_a_sheet_or_a_bench_file_an_invented_desktop_is_rehearsed():
    shown = rehearse(overnight(), None, VirtualBench(), plan_file="overnight.toml")
    assert (shown.verdict.outcome, shown.bench) == ("pass", "an invented desktop")
    assert len(shown.verdict.evidence.stages[0].workers) == 8
    assert shown.verdict.evidence.points == () or all(p.allowed_mhz is None for p in shown.verdict.evidence.points)


def test_the_strip_grows_as_the_limit_comes_nearer_and_is_full_where_it_is_broken():
    bars = next(line.strip() for line in text_of(faulted("pump-fails")).splitlines() if len(line.strip()) == 60)
    heights = ["▁▂▃▄▅▆▇█".index(bar) for bar in bars]
    assert (heights[0], heights[-1], heights.count(7)) == (0, 7, 1)
    assert heights == sorted(heights), "it only got warmer"


def test_the_screen_fits_80_columns_and_says_that_it_is_a_model():
    text = text_of(rehearsed(overnight()))
    assert max(map(len, text.splitlines())) <= 80
    assert "no evidence of anything, and not kept" in " ".join(text.split())
    assert "It would run to its end, in 8 h: pass" in text
    assert "Operating points: 27 of" in text
    assert "1      2" in text, "stages along the same axis"


@pytest.mark.parametrize(
    ("about", "wanted"),
    [
        (lantern(silicon={"weak": [{"core": 6, "more": "10 mV"}]}), "silicon: weak: core = 6: no such core"),
        (lantern(fault=[{"what": "core-hangs", "at": "1 s", "core": 12}]), "fault: core = 12: no such core"),
        (lantern(processor={"cores": 4}), "this bench has 4"),
        (lantern(processor={"widest": "vector-256"}), "vector-512"),
    ],
)
def test_what_does_not_fit_is_refused(about, wanted):
    asked = stage().model_copy(update={"instruction_class": "vector-512"})
    with pytest.raises(ConfigError) as refused:
        rehearsed(plan(asked), about)
    assert wanted in refused.value.message


def test_a_limit_on_what_the_virtual_bench_lacks_is_refused():
    wanted = plan().model_dump(mode="json") | {"limit": [{"of": "coolant-flow", "below": "60 L/h"}]}
    with pytest.raises(RefusedError, match="no such role or channel"):
        rehearsed(type(plan()).model_validate_json(json.dumps(wanted)))


def test_it_needs_nothing_that_reads_or_loads_a_real_bench():
    """So it can be had on any machine, and can touch none."""
    script = "import sys, soakd.service.rehearsal, soakd.report.rehearsed; print('\\n'.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert not {name.split(".")[0] for name in loaded} & {"psutil", "llvmlite", "numpy", "sqlite3", "apscheduler"}
    assert not {name for name in loaded if name.startswith(("soakd.crew", "soakd.sensors", "soakd.store"))}


@pytest.fixture
def trial(tmp_path):
    """Two minutes of heat, as a file."""
    text = 'version = 1\nname = "Trial"\n[[stage]]\nname = "Heat"\nworkload = "vector"\nduration = "2 min"\n'
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    return tmp_path / "trial.toml"


def typed(monkeypatch, capsys, *words):
    monkeypatch.setattr("sys.argv", ["soakd", "plan", "rehearse", *map(str, words)])
    with pytest.raises(SystemExit) as left:
        main()
    out = capsys.readouterr()
    return left.value.code or 0, out.out, out.err


def test_the_command_keeps_nothing(monkeypatch, capsys, tmp_path, trial):
    home = home_of(tmp_path, monkeypatch)
    code, out, err = typed(monkeypatch, capsys, trial, "--sheet", "lantern", "--bench", "lantern", "--json")
    assert (code, err) == (0, "")
    shown = json.loads(out)
    assert (shown["model_only"], shown["outcome"], shown["complete"]) == (True, "pass", True)
    assert shown["seed"] == 1
    assert {limit["channel"] for limit in shown["limits"]} >= {CPU}
    assert [each["stage"] for each in shown["stages"]] == list(range(1, len(shown["stages"]) + 1))
    assert list(home.iterdir()) == []


def test_the_command_s_exit_code_is_that_of_the_run_and_refusals_are_one_line(monkeypatch, capsys, tmp_path, trial):
    broken = tmp_path / "bench.toml"
    broken.write_text('version = 1\n[[fault]]\nwhat = "machine-resets"\nat = "1 min"\n', encoding="utf-8")
    assert typed(monkeypatch, capsys, trial, "--bench", broken)[0] == 1
    broken.write_text('version = 1\n[[fault]]\nwhat = "sensor-lies"\nat = "1 min"\n', encoding="utf-8")
    code, _, err = typed(monkeypatch, capsys, trial, "--bench", broken)
    assert code == 78
    assert err.startswith(f"soakd: {broken}: fault 1: channel: for sensor-lies it is needed")
