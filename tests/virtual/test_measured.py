"""What a rehearsed run's numbers say of a bench whose constants are known, from sensors to verdict."""

from __future__ import annotations

import pytest
from virtual_parts import lantern, plan, sheet, stage

from soakd.rules.estimates import half_width
from soakd.rules.run_heat import headroom
from soakd.service.rehearsal import rehearse
from soakd.virtual.cooling import HeatPath

STAGES = (
    stage(name="Heat", duration_s=1600.0),
    stage(name="Memory", workload="memory", memory_percent=20.0, duration_s=800.0),
    stage(name="Pulses", pattern="pulsed", period_s=0.02, on_percent=50.0, duration_s=100.0),
)


def rehearsed(room_c=24.0):
    declared = sheet()
    cooling = declared.cooling.model_copy(update={"ambient_c": room_c})
    declared = declared.model_copy(update={"cooling": cooling})
    return rehearse(plan(*STAGES, tick_s=4.0), declared, lantern(), plan_file="trial.toml", seed=1).verdict


@pytest.fixture(scope="module")
def verdict():
    return rehearsed()


def off(estimate, truth):
    """In half widths of its 95 %."""
    return abs(estimate.value - truth) / half_width(estimate, 0.95)


def test_the_way_to_the_room_is_that_of_the_bench_s_file(verdict):
    path = verdict.evidence.measured.heat.path
    assert path.resistance_kw.value == pytest.approx(0.07, rel=0.01)
    assert off(path.resistance_kw, lantern().heat.coolant.resistance_kw) < 1.5
    slowest_s = HeatPath(lantern(), 6)._network(1.0, 1.0).slowest_s
    assert path.constant_s.value == pytest.approx(slowest_s, rel=0.02)


def test_the_stage_says_how_warm_it_would_get(verdict):
    heat = verdict.evidence.measured.stages[0].heat
    assert (heat.settled, heat.ambient_c) == (True, pytest.approx(24.0))
    assert heat.core_c == pytest.approx(72.8, abs=0.5)
    core_kw = (heat.core_c - heat.ambient_c) / heat.power_w
    assert heat.to_ambient_kw.value == pytest.approx(core_kw, rel=0.02), "it still had a little to rise"
    assert verdict.evidence.measured.stages[2].heat is None, "pulses are no steady load"


def test_the_load_line_is_the_declared_one_and_pulses_are_not_seen(verdict):
    electrical = verdict.evidence.measured.electrical
    assert electrical.load_line.resistance_mohm.value == pytest.approx(sheet().voltages.load_line_mohm, rel=0.05)
    assert off(electrical.load_line.resistance_mohm, 0.9) < 1.5
    assert electrical.droop_unseen.startswith("pulses of 10 ms")
    assert sum(electrical.volts_s.values()) == pytest.approx(2500.0, abs=8.0)
    assert max(electrical.clocks_s, key=electrical.clocks_s.get) == 4600 - 4600 % 25


def test_in_a_hotter_room_it_is_as_near_to_its_limit_as_was_said(verdict):
    """Six kelvin more: what is left then, against what the cool run said of such a room."""
    (head,) = headroom(verdict.bounds, verdict.evidence)
    heat = verdict.evidence.measured.heat
    hotter = rehearsed(30.0)
    assert head.left_in(30.0, heat.core_gain, 24.0) == pytest.approx(hotter.evidence.limits[0].left, abs=0.5)
    (again,) = headroom(hotter.bounds, hotter.evidence)
    assert again.room_c == pytest.approx(head.room_c, abs=0.5), "and both name the same room that it holds up to"


def test_it_demonstrates_the_checked_load(verdict):
    shown = verdict.evidence.measured.demonstration
    assert shown.load_s == pytest.approx(2500.0, abs=1.0)
    assert shown.mean_s == pytest.approx(shown.load_s / 2.995732, rel=1e-6)
    covered = [point for point in verdict.evidence.points if point.state == "covered"]
    assert all(point.shown_s == pytest.approx(point.dwelt_s / 2.995732, rel=1e-6) for point in covered)
