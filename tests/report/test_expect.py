"""`soakd sheet expect` as it is read: complete, folded, within the screen, and plain."""

from __future__ import annotations

import json

import pytest
from plan_parts import sheet
from rich.console import Console

from soakd.config.files import load_sheet
from soakd.config.shipped import shipped
from soakd.model.sheet import Clocks, CoreCeiling, CurvePoint, CurveTop, Processor, StepDown, Voltages
from soakd.report.expect import Expected, clock_plot, expected_json, expected_text, voltage_plot

VOLTAGES = Voltages(
    curve=(
        CurvePoint(ratio=8, voltage_v=0.7),
        CurvePoint(ratio=36, voltage_v=1.0, offset_v=-0.03),
        CurvePoint(ratio=46, voltage_v=1.2, offset_v=-0.03),
    ),
    top=CurveTop(ratio=59, voltage_v=1.37),
    load_line_mohm=0.9,
)
SIXTEEN = sheet(
    1, 2, 4, 8, 16,
    widths=(128, 256, 512),
    clocks={
        "cores": tuple(CoreCeiling(core=core, ratio=54 - core // 12) for core in range(8, 16)),
        "steps_down": (StepDown(at_c=80.0, by=1), StepDown(at_c=90.0, by=3, active_cores=5)),
    },
    processor=Processor(cores=16, threads=32),
    voltages=VOLTAGES,
)  # fmt: skip


def shown(expected, width=100):
    console = Console(width=width, highlight=False, color_system=None)
    with console.capture() as captured:
        console.print(expected_text(expected, width))
    return [line.rstrip() for line in captured.get().splitlines()]


def rows_of(lines, heading):
    """The table under a heading, each row as one text."""
    start = lines.index(heading) + 2
    return [" ".join(line.split()) for line in lines[start : lines.index("", start + 1)]]


def test_the_shipped_sheet_below_all_steps():
    lines = shown(Expected(load_sheet(shipped("sheets")["lantern"]), current_a=150.0))
    assert rows_of(lines, "Expected below 82 °C")[:8] == [
        "scalar to 128 bits 256 bits 512 bits",
        "─" * 80,
        "1 active cores 0-1, 3-4 5100 a 4900 b 4600 c",
        "1.310 > 1.175 1.260 > 1.125 1.185 > 1.050",
        "core 2 5000 d 4800 e 4500 f",
        "1.285 > 1.150 1.235 > 1.100 1.164 > 1.029",
        "core 5 4900 d 4700 e 4400 f",
        "1.270 > 1.135 1.213 > 1.078 1.143 > 1.008",
    ]
    legend = {line.strip() for line in lines}
    assert {
        "a  limit for up to 1 active",
        "b  256 bits: 2 below the highest ceiling",
        "d  the core's own ceiling",
        "f  512 bits: 5 below the core's own ceiling",
        "First line: MHz at a reference of 100 MHz, and what holds it there.",
        "Below: volts asked for > volts left by a load line of 0.9 mΩ at 150 A.",
    } <= legend


def test_sixteen_cores_fit_into_a_hundred_columns_and_cores_that_are_alike_share_a_row():
    lines = shown(Expected(SIXTEEN, current_a=150.0))
    assert max(map(len, lines)) <= 100
    rows = rows_of(lines, "Expected below 80 °C")
    assert [row.split("5")[0].strip() for row in rows if row.startswith("1 active")] == ["1 active cores 0-7"]
    assert sum(row.startswith("cores 8-11 ") for row in rows) == 4
    assert sum(row.startswith("cores 12-15 ") for row in rows) == 4
    assert sum(row.startswith("9-16 active all cores ") for row in rows) == 1


def test_four_widths_with_current_fit_into_eighty_columns_and_nothing_is_cut():
    lines = shown(Expected(SIXTEEN, current_a=150.0), width=80)
    assert max(map(len, lines)) <= 80
    assert not any("…" in line for line in lines)
    rows = rows_of(lines, "Expected below 80 °C")
    assert rows[2:5] == [
        "1 active cores 0-7 5900 a 5800 b 5700 c 5600 d",
        "1.370 1.355 1.339 1.324",
        "> 1.235 > 1.220 > 1.204 > 1.189",
    ]
    assert {"o scalar   + 128 bits   x 256 bits   # 512 bits", "(highest of any core, below 80 °C)"} <= {
        line.strip() for line in lines
    }


def test_it_is_plain_text_without_colour():
    assert not any("\x1b" in line for line in shown(Expected(SIXTEEN)))


def test_what_a_step_down_leaves_as_it_was_is_not_repeated():
    rows = rows_of(shown(Expected(SIXTEEN)), "Expected from 90 °C")
    assert [row for row in rows if "as above" in row] == [
        '1 active as above " " " "',
        '2 active as above " " " "',
        '3-4 active as above " " " "',
    ]


def test_one_temperature_is_one_table():
    lines = shown(Expected(SIXTEEN, temperature_c=85.0))
    assert [line for line in lines if line.startswith("Expected")] == ["Expected at 85 °C"]
    assert lines[lines.index("Voltage over ratio") - 2].endswith("   (highest of any core, at 85 °C)")


@pytest.mark.parametrize(
    ("declared", "said"),
    [
        (sheet(clocks={}, widths=()).model_copy(update={"clocks": Clocks()}), "declares no ratio limit"),
        (sheet(1, 2), "The sheet declares no voltage curve"),
        (sheet(1, 2), "The sheet does not say how many cores there are"),
        (sheet(1, voltages=VOLTAGES), "For what a load line leaves of them: say --current."),
        (
            sheet(1, voltages=VOLTAGES.model_copy(update={"load_line_mohm": None})),
            "For what a load line leaves of them: the sheet declares no load line.",
        ),
        (
            sheet(1).model_copy(update={"clocks": sheet(1).clocks.model_copy(update={"reference_mhz": None})}),
            "First line: ratio, and what holds it there. The sheet declares no reference clock.",
        ),
    ],
)
def test_what_is_not_declared_is_said(declared, said):
    assert said in " ".join(shown(Expected(declared), width=200))


def test_the_clock_plot_has_each_number_of_active_cores_and_the_widths_side_by_side():
    lines = clock_plot(Expected(SIXTEEN), 88)
    assert max(map(len, lines)) <= 98
    assert lines[-2].split() == [str(count) for count in range(1, 17)]
    assert lines[-1] == "o scalar   + 128 bits   x 256 bits   # 512 bits   (highest of any core, below 80 °C)"
    assert sum(line.count("o") for line in lines[1:-3]) == 16
    assert lines[1].startswith("5900 |o")


def test_more_cores_than_the_screen_is_wide_are_plotted_by_group():
    many = sheet(1, 8, 64, processor=Processor(cores=64))
    lines = clock_plot(Expected(many), 88)
    assert lines[-2].split() == ["1", "8", "64"]


def test_a_sheet_of_one_core_has_no_plot_over_active_cores():
    assert clock_plot(Expected(sheet(1, processor=Processor(cores=1))), 88) == []


def test_the_voltage_plot_spans_the_curve_and_shows_what_current_takes():
    lines = voltage_plot(Expected(SIXTEEN), 72)
    assert lines[-2].split() == ["8", "20.75", "33.5", "46.25", "59"]
    assert sum(line.count("o") for line in lines[1:-3]) == 4
    assert ":" not in "".join(lines)
    loaded = voltage_plot(Expected(SIXTEEN, current_a=150.0), 72)
    assert sum(line.count(":") for line in loaded[1:-3]) > 36
    assert loaded[-1].endswith(": left at 150 A")
    assert voltage_plot(Expected(sheet(1)), 72) == []


def test_machines_get_every_combination():
    document = json.loads(json.dumps(expected_json(Expected(SIXTEEN, current_a=150.0))))
    rows = document["expected"]
    assert len(rows) == 16 * 5 * 4 * 3
    assert rows[0] == {
        "core": 0, "active_from": 1, "active_to": 1, "width": 64, "from_c": None, "ratio": 59.0, "clock_mhz": 5900.0,
        "because": "limit for up to 1 active", "set_v": pytest.approx(1.37), "pins_v": pytest.approx(1.235),
    }  # fmt: skip
