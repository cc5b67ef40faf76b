"""What is drawn and tabled of a sheet is what the rules allow: every place is read back and held against them."""

import pytest

from soakd.config.files import load_sheet
from soakd.config.shipped import shipped
from soakd.model.sheet import Sheet
from soakd.report.chart import Series, chart
from soakd.report.declared_charts import clock_by_active, clock_by_core, clock_by_temperature, voltage_by_ratio
from soakd.report.expect import Expected
from soakd.report.settings import settings_view
from soakd.rules.allowed import allowed
from soakd.rules.curve import curve_of, under_current, voltage_at
from soakd.rules.expectation import cores_of

STEEP = {
    "version": 1,
    "name": "Eight cores, three of them favoured",
    "processor": {"cores": 8},
    "clocks": {
        "limits": [{"active-cores": count, "ratio": ratio} for count, ratio in ((1, 57.25), (4, 55), (8, 50))],
        "cores": [{"core": 2, "ratio": 56}, {"core": 5, "ratio": 54, "voltage": "1.21 V"}],
        "vector": [{"width": 256, "below": 1.5}, {"width": 512, "below": 6}],
        "steps-down": [{"at": "70 °C", "by": 0.5}, {"at": "85 °C", "by": 2, "active-cores": 3}],
    },
    "voltages": {
        "offset": "-10 mV",
        "curve": [{"ratio": 8, "voltage": "0.7 V"}, {"ratio": 45, "voltage": "1.1 V", "offset": "-30 mV"}],
        "top": {"ratio": 57.25, "voltage": "1.35 V"},
        "load-line": "1.1 mΩ",
    },
}  # fmt: skip
SHEETS = {
    **{name: load_sheet(path) for name, path in shipped("sheets").items()},
    "steep": Sheet.model_validate(STEEP, strict=False),
}


@pytest.fixture(params=SHEETS)
def sheet(request):
    return SHEETS[request.param]


def bits(name):
    """The widths that a line's name tells: scalar to 128 bits; 256 bits and 512 bits."""
    return [
        {"scalar": 64}.get(part) or int(part.removesuffix(" bits"))
        for part in name.replace(" and ", " to ").split(" to ")
    ]


def top(sheet, cores, active, width, temperature_c):
    found = [allowed(sheet.clocks, core=c, active=active, width=width, temperature_c=temperature_c) for c in cores]
    return max(each.ratio if each.clock_mhz is None else each.clock_mhz for each in found if each)


def test_clocks_over_active_cores_are_the_allowed_ones(sheet):
    shown = clock_by_active(Expected(sheet))
    cores, seen = cores_of(sheet), 0
    for line in shown.lines:
        for spot in line.spots:
            active, value = shown.value_at(*spot)
            for width in bits(line.name):
                assert value == pytest.approx(top(sheet, cores, round(active), width, None), abs=0.01)
                seen += 1
    assert seen == len(cores) * sum(len(bits(line.name)) for line in shown.lines)


def test_clocks_over_cores_are_each_core_s_own(sheet):
    shown = clock_by_core(Expected(sheet))
    for line in shown.lines:
        assert [round(shown.value_at(*spot)[0]) for spot in line.spots] == list(cores_of(sheet))
        for spot in line.spots:
            core, value = shown.value_at(*spot)
            assert value == pytest.approx(top(sheet, (round(core),), 1, bits(line.name)[0], None), abs=0.01)


def test_clocks_over_temperature_step_down_where_they_are_declared_to(sheet):
    shown = clock_by_temperature(Expected(sheet))
    everybody = len(cores_of(sheet))
    for line in shown.lines:
        for spot in line.spots:
            at_c, value = shown.value_at(*spot)
            for width in bits(line.name):
                assert value == pytest.approx(top(sheet, cores_of(sheet), everybody, width, at_c), abs=0.01)
        falls = [shown.value_at(x, y)[0] for x, y, to_x, _ in line.strokes if x == to_x]
        assert falls == pytest.approx(sorted({step.at_c for step in sheet.clocks.steps_down}), abs=0.01)


def test_the_voltage_curve_is_drawn_with_offsets_and_load_line(sheet):
    shown = voltage_by_ratio(Expected(sheet, current_a=120.0))
    asked = {line.name: line for line in shown.lines if line.name.startswith("asked for")}
    assert asked
    for name, line in asked.items():
        core = int(name.rpartition(" ")[2].split("-")[0].strip(",")) if "core" in name else 0
        for ratio, volts in (shown.value_at(*spot) for spot in line.spots):
            assert volts == pytest.approx(voltage_at(curve_of(sheet, core), ratio), abs=1e-4)
    first = next(iter(asked.values()))
    left = next(line for line in shown.lines if line.name.startswith("left at 120 A"))
    for above, below in zip(first.spots, left.spots, strict=True):
        _, asked_v = shown.value_at(*above)
        _, left_v = shown.value_at(*below)
        line_mohm = sheet.voltages.load_line_mohm
        assert left_v == pytest.approx(under_current(asked_v, current_a=120.0, load_line_mohm=line_mohm), abs=1e-4)


def test_every_place_is_within_the_drawing(sheet):
    for shown in settings_view(sheet, current_a=120.0).charts:
        for line in shown.lines:
            places = [*line.spots, *(stroke[:2] for stroke in line.strokes), *(stroke[2:] for stroke in line.strokes)]
            assert all(0.0 <= x <= 100.0 and 0.0 <= y <= 100.0 for x, y in places)
        assert len({line.shape for line in shown.lines}) == min(4, len(shown.lines)), "no two are told apart by colour"


def test_tables_say_what_the_rules_say(sheet):
    view = settings_view(sheet)
    expected = Expected(sheet)
    assert len(view.tables) == len(expected.moments)
    for table, moment_c in zip(view.tables, expected.moments, strict=True):
        for row in table.rows:
            active = int(row.active.removesuffix(" active").rpartition("-")[2])
            core = 0 if row.cores == "all cores" else int(row.cores.split()[1].split("-")[0].strip(","))
            for cell, members in zip(row.cells, expected.widths, strict=True):
                value = top(sheet, (core,), active, members[0], moment_c)
                assert float(cell.clock) == pytest.approx(value, abs=0.005)


def test_a_curve_s_table_keeps_factory_offset_and_sum_apart():
    view = settings_view(SHEETS["steep"], current_a=100.0)
    assert view.volts.heads == ("ratio", "factory", "its offset", "asked for", "left", "cores")
    assert view.volts.rows[1] == ("45", "1.1 V", "-40 mV", "1.060 V", "0.950 V", "cores 0-4, 6-7")
    assert view.volts.rows[2] == ("57.25", "–", "-10 mV", "1.340 V", "1.230 V", "cores 0-4, 6-7")


def test_a_sheet_that_declares_nothing_says_so_and_draws_nothing():
    view = settings_view(Sheet(version=1, name="Empty"))
    assert "no clock can be expected" in view.refusal
    assert (view.charts, view.tables, view.volts, view.declared) == ((), (), None, ())


@pytest.mark.parametrize(
    ("values", "digits", "ends"),
    [
        ((4600.0, 5100.0), 0, ("4600", "5100")),
        ((47.0, 47.0), 0, ("46", "48")),
        ((0.7, 1.31), 2, ("0.60", "1.40")),
        ((100.0, 100.25), 2, ("100.00", "100.25")),
    ],
)
def test_a_scale_has_few_round_numbers_around_all_values(values, digits, ends):
    series = [Series(name="s", points=[(0.0, values[0]), (1.0, values[1])])]
    shown = chart(series, title="t", alternative="a", across="x", up="u", ends=(0.0, 1.0), below=(), digits=digits)
    texts = [text for _, text in shown.scale]
    assert (texts[0], texts[-1]) == ends
    assert 2 <= len(texts) <= 7
    assert len(set(texts)) == len(texts), "digits enough to tell two apart"
