"""What a sheet makes one expect: all combinations, each as the rules for clock and voltage have it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sheet_parts import orderly_clocks

from soakd.model.sheet import ActiveLimit, Clocks, CoreCeiling, CurvePoint, Processor, Sheet, StepDown, Voltages
from soakd.rules.allowed import allowed
from soakd.rules.expectation import WIDTHS, cores_of, expectations, moments_of, spans_of

CLOCKS = Clocks(
    limits=(ActiveLimit(active_cores=1, ratio=50), ActiveLimit(active_cores=6, ratio=46)),
    steps_down=(StepDown(at_c=80.0, by=1), StepDown(at_c=90.0, by=3, active_cores=4)),
)
VOLTAGES = Voltages(
    curve=(CurvePoint(ratio=40, voltage_v=1.1), CurvePoint(ratio=50, voltage_v=1.3)), load_line_mohm=1.0
)


def sheet(clocks=CLOCKS, **parts):
    return Sheet(**{"version": 1, "name": "Trial", "clocks": clocks, **parts})


@pytest.mark.parametrize(
    ("parts", "cores"),
    [
        ({"processor": Processor(cores=8)}, range(8)),
        ({"processor": Processor(cores=8, cores_on=(0, 2, 4))}, (0, 2, 4)),
        ({}, range(6)),
        ({"clocks": Clocks(cores=(CoreCeiling(core=9, ratio=50),))}, range(10)),
        ({"clocks": Clocks()}, range(1)),
    ],
)
def test_the_cores_are_those_that_the_sheet_speaks_of(parts, cores):
    assert cores_of(sheet(**parts)) == tuple(cores)


def test_numbers_of_active_cores_part_where_a_limit_or_a_step_down_does():
    assert spans_of(sheet(), 6) == ((1, 1), (2, 3), (4, 6))
    assert spans_of(sheet(), 3) == ((1, 1), (2, 3))


def test_voltage_follows_the_allowed_ratio_and_the_load_line_the_current():
    row = expectations(sheet(voltages=VOLTAGES), current_a=100.0)[0]
    assert (row.core, row.active, row.width, row.from_c) == (0, (1, 1), 64, None)
    assert (row.set_v, row.pins_v) == (pytest.approx(1.3), pytest.approx(1.2))
    hot = expectations(sheet(voltages=VOLTAGES), temperature_c=95.0)[-1]
    assert (hot.active, hot.from_c, hot.allowed.ratio) == ((4, 6), 95.0, 43.0)
    assert hot.set_v == pytest.approx(1.16)
    assert hot.pins_v is None


def test_without_a_limit_nothing_is_expected_not_even_a_voltage():
    assert {(row.allowed, row.set_v) for row in expectations(sheet(Clocks(), voltages=VOLTAGES))} == {(None, None)}


@given(orderly_clocks(), st.integers(1, 8))
def test_every_combination_is_there_once_and_holds_for_all_its_numbers_of_active_cores(clocks, count):
    declared = sheet(clocks, processor=Processor(cores=count))
    rows = expectations(declared)
    assert len({(row.core, row.active, row.width, row.from_c) for row in rows}) == len(rows)
    counts = {active for row in rows for active in range(row.active[0], row.active[1] + 1)}
    assert counts == set(range(1, count + 1))
    assert {row.width for row in rows} == set(WIDTHS)
    assert {row.from_c for row in rows} == set(moments_of(declared))
    for row in rows:
        for active in range(row.active[0], row.active[1] + 1):
            now = allowed(clocks, core=row.core, active=active, width=row.width, temperature_c=row.from_c)
            assert row.allowed == now
