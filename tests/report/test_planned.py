"""What `soakd plan` says of a plan, and the file that it drafts."""

from __future__ import annotations

import json
import math
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plan_parts import ground, sheet, survey
from rich.console import Console
from run_parts import plan, stage

from soakd.config.files import load_plan
from soakd.model.sheet import MakersLimits, StepDown
from soakd.report.plan_file import plan_text
from soakd.report.planned import can_lines, cannot_lines, planned_json, planned_text
from soakd.rules.drafting import drafted

ON = ground(16, threads=2)
DECLARED = sheet(1, 4, 16, makers_limits=MakersLimits(temperature_c=95.0))
DRAFT = drafted(DECLARED, ON, duration_s=8 * 3600.0)
FOUND = survey(DRAFT.plan, DECLARED, ON)


def shown(found, made, clocks=DECLARED.clocks, confidence=0.95):
    console = Console(width=100, highlight=False, color_system=None)
    with console.capture() as captured:
        console.print(planned_text(found, confidence, made, clocks))
    return [line.rstrip() for line in captured.get().splitlines()]


@pytest.mark.parametrize(("cores", "threads", "actives"), [(6, 2, (1, 3, 6)), (16, 1, (1, 4, 8, 16)), (1, 1, ())])
def test_a_drafted_file_loads_as_the_plan_that_was_drafted(cores, threads, actives, tmp_path):
    declared, on = sheet(*actives), ground(cores, threads=threads)
    draft = drafted(declared, on, duration_s=8 * 3600.0)
    path = tmp_path / "tonight.toml"
    path.write_text(plan_text(draft, survey(draft.plan, declared, on)), encoding="utf-8")
    assert load_plan(path) == draft.plan


@given(st.text(min_size=1, max_size=60).filter(str.strip))
def test_whatever_the_sheet_is_called_the_file_stays_toml(name):
    draft = drafted(DECLARED.model_copy(update={"name": name}), ON, duration_s=8 * 3600.0)
    document = tomllib.loads(plan_text(draft, FOUND))
    assert document["name"] == draft.plan.name


def test_every_stage_of_a_drafted_file_stands_under_words_that_say_what_it_is_for():
    text = plan_text(DRAFT, FOUND)
    blocks = [block for block in text.split("\n\n") if "[[stage]]" in block]
    assert len(blocks) == len(DRAFT.plan.stages)
    reason = ""
    for block, part in zip(blocks, DRAFT.parts, strict=True):
        first = block.splitlines()[0]
        reason = first.removeprefix("# ") if first.startswith("# ") else reason
        assert reason == part.why
    assert "# 5 K below the maker's limit of 95 °C.\n[[limit]]\n" in text
    assert "transitions 10 %, exchange 5 %, memory 20 %" in text
    assert text.startswith("# 144 operating points (16 cores × 3 groups of active cores × 3 widths), visited for ")


def test_a_drafted_plan_leaves_nothing_out_and_says_what_it_shows():
    lines = shown(FOUND, DRAFT.plan)
    assert "Left out" not in lines
    assert max(map(len, lines)) <= 100
    row = next(line.split() for line in lines if line.startswith("   1 active"))
    assert row[:4] == ["1", "active", "core", "0"]
    assert "Shown by a run without one error, at 95 % confidence" in lines


def test_what_is_left_out_is_listed_and_dashed_in_the_table():
    walk = stage(workload="vector", pattern="walking", dwell_s=30.0, cores=(0, 1, 2, 3), duration_s=120.0)
    made = plan(stage(duration_s=300.0), walk)
    found = survey(made, DECLARED, ground(16))
    lines = shown(found, made)
    start = lines.index("Left out")
    assert [line.strip() for line in lines[start + 1 : lines.index("", start)]] == [
        "• cores 0-3 alone at scalar and 256 bits",
        "• cores 4-15 alone at scalar, 256 and 512 bits",
        "• all cores with 2-4 active at scalar, 256 and 512 bits",
        "• all cores with 5-16 active at 256 and 512 bits",
    ]
    table = [line.split() for line in lines[: lines.index("Left out")]]
    assert ["1", "active", "cores", "0-3", "–", "–", "30", "s"] in table
    assert ["5-16", "active", "all", "cores", "5", "min", "–", "–"] in table
    _, hour, *_ = cannot_lines(found, 0.95, made, DECLARED.clocks)
    assert hour.startswith("an hour between errors at every point that it visits takes ")


def test_the_numbers_are_those_of_the_handbook():
    """NIST/SEMATECH e-Handbook 8.4.5.1: T / -ln(1 - C); here an hour at the weakest point, in two hours of load."""
    made = plan(stage(duration_s=3600.0), stage(workload="vector", duration_s=3600.0))
    found = survey(made, sheet(2, widths=(512,)), ground(2))
    hour, two = "20 min 02 s", "40 min 03 s"
    assert 3600 / -math.log(0.05) == pytest.approx(20 * 60 + 1.7, abs=0.1)
    assert list(can_lines(found, 0.95)) == [
        f"the bench as a whole, 2 h under this mix of load: at least {two} between errors",
        f"the weakest point, core 0 with 1-2 active at scalar, 1 h: at least {hour} between errors",
    ]
    cannot = list(cannot_lines(found, 0.95, made, sheet(2).clocks))
    assert cannot[0].endswith("shows with a chance of 63 %")  # 1 - 1/e
    assert cannot[1] == "an hour between errors at every point takes 5 h 59 min, shared out like this"


def test_what_no_plan_can_command_is_said():
    hot = sheet(1, clocks={"steps_down": (StepDown(at_c=90.0, by=2), StepDown(at_c=80.0, by=1))}).clocks
    lines = list(cannot_lines(FOUND, 0.95, DRAFT.plan, hot))
    assert "what holds from 80 °C, 90 °C on is visited only if the bench gets so warm: no plan commands that" in lines
    assert not any("°C" in line for line in cannot_lines(FOUND, 0.95, DRAFT.plan, DECLARED.clocks))


def test_a_plan_that_visits_nothing_shows_nothing_of_any_point():
    made = plan(stage(workload="exchange"))
    found = survey(made, DECLARED, ON)
    lines = shown(found, made)
    assert not any("weakest" in line for line in lines)
    document = planned_json(found, 0.95)
    assert (document["complete"], document["weakest"], document["shown_mean_s"]["weakest"]) == (False, None, 0.0)


def test_machines_get_every_point():
    document = json.loads(json.dumps(planned_json(FOUND, 0.9)))
    assert document["complete"] is True
    assert document["confidence_percent"] == 90.0
    assert len(document["points"]) == 16 * 3 * 3
    least_s = min(point["planned_s"] for point in document["points"])
    assert document["weakest"]["planned_s"] == least_s
    assert document["shown_mean_s"]["weakest"] == pytest.approx(least_s / math.log(10))
