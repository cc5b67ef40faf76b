"""Expected voltage: interpolation against numpy, the load line against a published regulator guideline."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakd.model.sheet import Clocks, CoreCeiling, CurvePoint, CurveTop, Sheet, Voltages
from soakd.rules.curve import curve_of, under_current, voltage_at

FACTORY = (CurvePoint(ratio=8, voltage_v=0.70), CurvePoint(ratio=36, voltage_v=1.00, offset_v=-0.02))


def sheet(curve=FACTORY, top=None, own=()):
    return Sheet(version=1, name="Trial", voltages=Voltages(curve=curve, top=top), clocks=Clocks(cores=own))


def test_offsets_belong_to_their_points():
    assert curve_of(sheet(), 0) == ((8.0, 0.70), (36.0, 0.98))
    assert voltage_at(curve_of(sheet(), 0), 22) == pytest.approx(0.84)


def test_the_top_is_the_sheet_s_unless_the_core_has_a_voltage_of_its_own():
    top = CurveTop(ratio=56, voltage_v=1.35)
    own = (CoreCeiling(core=1, ratio=58, voltage_v=1.40), CoreCeiling(core=2, ratio=55))
    declared = sheet(top=top, own=own)
    assert curve_of(declared, 0)[-1] == (56.0, 1.35)
    assert curve_of(declared, 1)[-1] == (58.0, 1.40)
    assert curve_of(declared, 2)[-1] == (56.0, 1.35)  # a ceiling alone moves no voltage
    assert voltage_at(curve_of(declared, 0), 46) == pytest.approx((0.98 + 1.35) / 2)
    assert voltage_at(curve_of(declared, 1), 47) == pytest.approx((0.98 + 1.40) / 2)


def test_an_offset_of_the_whole_curve_is_in_every_voltage():
    own = (CoreCeiling(core=1, ratio=58, voltage_v=1.40),)
    declared = sheet(top=CurveTop(ratio=56, voltage_v=1.35), own=own)
    lower = declared.model_copy(update={"voltages": declared.voltages.model_copy(update={"offset_v": -0.03})})
    for core in (0, 1):
        assert curve_of(lower, core) == tuple((ratio, volts - 0.03) for ratio, volts in curve_of(declared, core))
    assert curve_of(sheet(curve=()), 0) == ()


def test_a_top_below_the_factory_s_highest_point_ends_the_curve_there():
    own = (CoreCeiling(core=0, ratio=30, voltage_v=0.90),)
    assert curve_of(sheet(own=own), 0) == ((8.0, 0.70), (30.0, 0.90))


def test_without_a_curve_nothing_is_expected_and_a_top_alone_is_a_constant():
    assert voltage_at(curve_of(sheet(curve=()), 0), 40) is None
    alone = curve_of(sheet(curve=(), top=CurveTop(ratio=56, voltage_v=1.35)), 0)
    assert {voltage_at(alone, ratio) for ratio in (8, 56, 60)} == {1.35}


RATIOS = st.lists(st.integers(4, 800), min_size=1, max_size=12, unique=True)


@given(RATIOS, st.data(), st.floats(1.0, 200.0))
def test_it_is_what_numpy_interpolates(quarters, data, ratio):
    """numpy.interp: linear between the points and up to the top, clamped at both ends. The points may stand in any
    order, and an offset of the whole curve is in all of it."""
    count = len(quarters)
    volts = data.draw(st.lists(st.floats(0.1, 3.0), min_size=count, max_size=count))
    offsets = data.draw(st.lists(st.floats(-0.5, 0.5), min_size=count, max_size=count))
    points = [
        CurvePoint(ratio=quarter / 4, voltage_v=volt, offset_v=offset)
        for quarter, volt, offset in zip(quarters, volts, offsets, strict=True)
    ]
    above = data.draw(st.none() | st.tuples(st.floats(max(quarters) / 4 + 0.25, 201.0), st.floats(0.1, 3.0)))
    top = None if above is None else CurveTop.model_construct(ratio=above[0], voltage_v=above[1])
    whole_v = data.draw(st.sampled_from([0.0, -0.05, 0.02]))
    declared = sheet(curve=tuple(points), top=top)
    declared = declared.model_copy(update={"voltages": declared.voltages.model_copy(update={"offset_v": whole_v})})
    order = np.argsort(quarters)
    ratios = np.append(np.array(quarters)[order] / 4, [] if above is None else above[0])
    known = np.append((np.array(volts) + np.array(offsets))[order], [] if above is None else above[1]) + whole_v
    expected = float(np.interp(ratio, ratios, known))
    assert voltage_at(curve_of(declared, 0), ratio) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("mhz", "volts"), [(1600, 0.775), (3000, 0.925), (4000, 1.073333), (5100, 1.30), (100, 0.70)])
def test_known_points(mhz, volts):
    """Own numbers, computed once with numpy.interp: 800 to 5400 MHz at a reference of 100 MHz."""
    known = ((8, 0.70), (24, 0.85), (36, 1.00), (48, 1.22), (54, 1.38))
    curve = tuple(CurvePoint(ratio=ratio, voltage_v=volt) for ratio, volt in known)
    assert voltage_at(curve_of(sheet(curve=curve), 0), mhz / 100) == pytest.approx(volts, abs=1e-6)


@pytest.mark.parametrize(
    ("set_v", "current_a", "upper_v", "lower_v"),
    [(1.35, 0, 1.350, 1.310), (1.35, 150, 1.1625, 1.1225), (1.40, 130, 1.2375, 1.1975)],
)
def test_the_load_line_is_the_published_one(set_v, current_a, upper_v, lower_v):
    """Intel VRM 10.2L design guideline, figure 2-6: upper V = VID - 1.25 mΩ · Icc, lower 40 mV under it."""
    assert under_current(set_v, current_a=current_a, load_line_mohm=1.25) == pytest.approx(upper_v, abs=1e-12)
    assert under_current(set_v - 0.040, current_a=current_a, load_line_mohm=1.25) == pytest.approx(lower_v, abs=1e-12)


def test_the_guideline_s_graph_ends_at_minus_230_millivolts():
    """The same guideline's load line graph: offsets from the set voltage down to -227.5 mV at 150 A, lower line."""
    assert under_current(-0.040, current_a=150, load_line_mohm=1.25) == pytest.approx(-0.2275, abs=1e-12)


def test_another_load_line():
    """Plain arithmetic, no source: 1.45 V less 200 A through 1.1 mΩ."""
    assert under_current(1.45, current_a=200, load_line_mohm=1.1) == pytest.approx(1.230, abs=1e-12)
