"""What leads say of short rehearsals on benches with one known cause; the long table is tests/benchmarks/leads.py."""

from __future__ import annotations

import pytest
from lead_parts import BENCHES, trouble
from virtual_parts import lantern, plan, sheet, stage

from soakd.rules.leads import leads
from soakd.service.rehearsal import rehearse

STAGES = (
    stage(name="Heat", duration_s=600.0),
    stage(name="Walk", workload="integer", pattern="walking", dwell_s=20.0, duration_s=1200.0),
    stage(name="Memory", workload="memory", memory_percent=10.0, duration_s=240.0),
    stage(name="Exchange", workload="exchange", duration_s=120.0),
    stage(name="Pulses", pattern="pulsed", period_s=0.02, on_percent=50.0, duration_s=180.0),
)


def rehearsed(about, seed=1):
    shown = rehearse(plan(*STAGES, tick_s=10.0, mismatches=100), sheet(), about, plan_file="trial.toml", seed=seed)
    return shown.verdict


CAUSES = {
    "one-core-fast": BENCHES["core 2 too fast alone"][0],
    "pulses": lambda: trouble("edges", "1 min", 1),
    "memory-lane": lambda: trouble("memory", "4 min", 1, lane=3, again="wrong"),
    "pump": BENCHES["pump"][0],
}


@pytest.mark.parametrize("right", list(CAUSES))
def test_the_first_lead_names_the_cause(right):
    about, _, seed = CAUSES[right]()
    found = leads(rehearsed(about, seed))
    assert found[0].name == right
    assert found[0].confidence in {"strong", "seen"}
    assert found[0].evidence


def test_a_bench_without_a_fault_gives_no_lead():
    verdict = rehearsed(lantern())
    assert (verdict.outcome, leads(verdict)) == ("pass", ())


def test_a_drill_gives_none_for_its_fault_was_planted():
    verdict = rehearsed(CAUSES["pump"]()[0])
    assert leads(verdict)
    assert leads(verdict.model_copy(update={"drill": True})) == ()
