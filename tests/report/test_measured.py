"""Numbers in words, and two verdicts side by side."""

from __future__ import annotations

import io
import json

import pytest
from rich.console import Console
from run_parts import plan, record, sheet, stage, verdict
from test_compare import run_of

from soakd.cli.main import main
from soakd.model.measured import Estimate
from soakd.model.sheet import Cooling
from soakd.report.compare import compared_json, compared_text, settings_that_differ
from soakd.report.measured import energy_text, in_a_room, numbers, plus_minus, share_text
from soakd.report.text import verdict_text
from soakd.rules.compare import compare


def text_of(shown, width=100):
    out = io.StringIO()
    Console(file=out, width=width).print(shown)
    return " ".join(out.getvalue().split())


@pytest.mark.parametrize(
    ("value", "sd", "wanted"),
    [
        (0.29934, 0.0006, "0.2993 ± 0.0012"),
        (409.36, 0.96, "409.4 ± 1.9"),
        (61.0, 12.0, "61 ± 24"),
        (5.0, 0.0, "5.00 ± 0.00"),
    ],
)
def test_a_number_is_written_to_two_figures_of_its_uncertainty(value, sd, wanted):
    assert plus_minus(Estimate(value=value, sd=sd, freedom=1e6)) == wanted


def test_shares_and_energies():
    assert share_text(Estimate(value=-200.0, sd=1.0, freedom=1e6)) == "± 0.98 %"
    assert [energy_text(j) for j in (2.0, 3.1e-3, 4e-6, 8.41e-9, 8.41e-11)] == [
        "2 J",
        "3.1 mJ",
        "4 µJ",
        "8.41 nJ",
        "84.1 pJ",
    ]


def test_a_verdict_tells_what_it_demonstrates_and_what_not():
    text = text_of(verdict_text(run_of()))
    assert "no error in 10 min of checked load under this plan" in text
    assert "at 95 % confidence" in text
    assert "other temperatures, points without load, wear" in text
    assert "× 10⁶ integer operations per second ± 0." in text
    assert "core 70.0 °C, 100.0 W; settled" in text
    assert "K/W to the room" in text
    assert "holds up to a room of" in text, "the guard's own limit below the sensor's critical value"
    assert "4675 MHz 100 %" in text


def test_another_room_leaves_less():
    warm = run_of()
    assert "In a room of 31 °C 8.0 K left hwmon/k10temp/Tctl above 85 °C" in text_of(verdict_text(warm, room_c=31.0))
    assert in_a_room(verdict(), 31.0).rows[0][0] == "not known"


def test_errors_give_bounds_on_both_sides():
    of_record = record(plan(stage(duration_s=10.0)))
    judged = verdict(of_record)
    shown = judged.evidence.measured.demonstration.model_copy(update={"errors": 2, "between_s": (60.0, 7200.0)})
    measured = judged.evidence.measured.model_copy(update={"demonstration": shown})
    changed = judged.model_copy(update={"evidence": judged.evidence.model_copy(update={"measured": measured})})
    rows = dict(numbers(changed)[0].rows)
    assert rows["seen"].startswith("2 errors in")
    assert rows[""] == "between 1 min and 2 h, at 95 % confidence"


def test_a_verdict_of_before_has_no_numbers():
    judged = verdict()
    old = judged.model_copy(update={"evidence": judged.evidence.model_copy(update={"measured": None})})
    assert numbers(old) == ()


def test_a_comparison_is_read_at_a_glance():
    old, new = run_of(seed=1), run_of(seed=2, times=0.97, core_c=66.0, sheet=sheet(values={"ratio limit": 46}))
    text = text_of(compared_text(old, new, compare(old, new)))
    assert "Trial 4 (run-1) → Trial 4 (run-2)" in text
    assert "% slower, significant (chance below 0.001)" in text
    assert "% more energy for each operation" in text
    assert "core 70.0 → 66.0 °C in the same room" in text
    assert "ratio limit 47 → 46" in text
    assert "only a third run shows" in text
    assert "By chance alone" not in text, "one stage only"
    assert settings_that_differ(old, old) == []
    shown = json.loads(json.dumps(compared_json(old, new, compare(old, new))))
    assert shown["stages"][0]["gain"] == pytest.approx(-0.03, abs=0.01)
    assert shown["stages"][0]["significant"] is True
    assert shown["sides"]["verdict"] == [old.outcome, new.outcome]


def test_rooms_that_nobody_reads_are_those_of_the_sheets():
    cool, warm = (sheet(cooling=Cooling(ambient_c=room_c)) for room_c in (20.0, 26.0))
    old, new = run_of(seed=1, room_c=None, sheet=cool), run_of(seed=2, room_c=None, core_c=75.0, sheet=warm)
    text = text_of(compared_text(old, new, compare(old, new)), width=160)
    assert "room 20.0 °C, as the sheet declares it 26.0 °C, as the sheet declares it" in text
    assert "core 70.0 → 69.0 °C in the same room" in text
    assert "declare `ambient`" not in text


def test_without_both_rooms_it_is_said_that_temperatures_are_as_read_and_how_to_change_that():
    old, new = run_of(seed=1), run_of(seed=2, room_c=None, core_c=75.0)
    text = text_of(compared_text(old, new, compare(old, new)), width=160)
    assert "room 24.0 °C, as read not known: no sensor reads it, and no sheet declares it" in text
    assert "core 70.0 → 75.0 °C as read: not both rooms are known" in text
    assert "declare `ambient` under [cooling] in both sheets" in text


def test_the_command_compares_two_of_the_ledger_and_refuses_one_with_itself(monkeypatch, capsys, tmp_path):
    kept = {"run-1": run_of(seed=1), "last": run_of(seed=2, times=1.02)}

    def typed(*words):
        monkeypatch.setattr("soakd.cli.verdict._body", lambda which: kept[which].model_dump_json())
        monkeypatch.setenv("SOAKD_HOME", str(tmp_path))
        monkeypatch.setattr("sys.argv", ["soakd", "verdict", "compare", *words])
        with pytest.raises(SystemExit) as left:
            main()
        out = capsys.readouterr()
        return left.value.code or 0, out.out, out.err

    code, out, err = typed("run-1", "--json")
    assert (code, err) == (0, "")
    assert json.loads(out)["stages"][0]["gain"] == pytest.approx(0.02, abs=0.01)
    assert typed("run-1", "last")[0] == 0
    code, out, err = typed("run-1", "run-1")
    assert (code, out) == (2, "")
    assert err.startswith("soakd: not comparable: this is one and the same verdict")
