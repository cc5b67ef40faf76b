"""Power and errors of the virtual silicon: the shape that the model promises, and what a seed draws."""

from __future__ import annotations

import json

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from virtual_parts import Always, lantern, sheet

from soakd.model.virtual import Silicon, VirtualPower
from soakd.rules.curve import under_current
from soakd.virtual.bench import Bench
from soakd.virtual.draws import Draws
from soakd.virtual.silicon import TRIES_PER_S, Appetite, Lots
from soakd.virtual.supply import LoadKind, Supply, leakage_a

NEEDS = [{"clock": "4000 MHz", "voltage": "1 V"}, {"clock": "5000 MHz", "voltage": "1.2 V"}]
EVEN = {"needs": NEEDS, "spread": "0 V", "per-kelvin": "0 V"}


def silicon(**changes):
    return Silicon.model_validate_json(json.dumps({**EVEN, **changes}))


def needed_v(of, core=0, clock_mhz=4500.0, width=64, temperature_c=60.0):
    return Lots(of, 4, seed=1).needed_v(core, clock_mhz=clock_mhz, width=width, temperature_c=temperature_c)


@pytest.mark.parametrize(
    ("volts", "clock_mhz", "ratio"),
    [(1.1, 1.1, 1.331), (0.9, 0.9, 0.729), (0.85, 0.85, 0.614125), (1.35 / 1.25, 5.0 / 4.7, 1.240851)],
)
def test_switching_power_goes_with_the_clock_and_the_square_of_the_voltage(volts, clock_mhz, ratio):
    """P = a C V² f (textbook form); the ratios were worked out by hand."""
    appetite = Appetite(VirtualPower(), 8)
    watts = [v**2 * appetite.switching(1.0, f) for v, f in ((1.2, 4000.0), (1.2 * volts, 4000.0 * clock_mhz))]
    assert watts[1] / watts[0] == pytest.approx(ratio, abs=1e-6)


def test_at_the_declared_point_all_cores_take_what_was_declared():
    power = VirtualPower()
    appetite = Appetite(power, 8)
    assert 8 * power.voltage_v**2 * appetite.switching(1.0, power.clock_mhz) == pytest.approx(power.switching_w)
    assert 8 * power.voltage_v * appetite.leakage_a(power.temperature_c) == pytest.approx(power.leakage_w)
    hotter_c = power.temperature_c + power.doubles_every_k
    assert appetite.leakage_a(hotter_c) == pytest.approx(2.0 * appetite.leakage_a(power.temperature_c))


def test_what_reaches_the_pins_is_what_the_load_line_leaves_at_the_current_that_follows_from_it():
    """Against V = V_set - I · R of the rules, with the current that this voltage drives."""
    supply = Supply(lantern(), sheet(), 6)
    drive = supply.drive(LoadKind(cores=tuple(range(6)), width=256, activity=1.0), 60.0, 0)
    leaking_a = sum(leakage_a(supply.appetite, [70.0] * 6))
    pins_v = supply.pins_v(drive, leaking_a)
    current_a = pins_v * sum(drive.switching) + leaking_a
    assert pins_v == pytest.approx(under_current(drive.set_v, current_a=current_a, load_line_mohm=0.9), abs=1e-12)
    assert 90.0 < current_a < 150.0


def test_needed_voltage_is_linear_between_points_and_goes_on_beyond_them():
    assert [needed_v(silicon(), clock_mhz=mhz) for mhz in (4000.0, 4250.0, 5000.0, 5500.0, 3000.0)] == pytest.approx(
        [1.0, 1.05, 1.2, 1.3, 0.8]
    )


def test_wider_registers_and_heat_need_more():
    wider = silicon(wider=[{"width": 256, "more": "10 mV"}, {"width": 512, "more": "30 mV"}], **{"per-kelvin": "1 mV"})
    base_v = needed_v(wider)
    more = [needed_v(wider, width=width) - base_v for width in (128, 256, 512)]
    assert more == pytest.approx([0.0, 0.01, 0.03])
    assert needed_v(wider, temperature_c=80.0) - base_v == pytest.approx(0.02)


def test_a_weak_core_is_weak_at_its_place_alone():
    planted = silicon(weak=[{"core": 2, "more": "50 mV", "width": 256, "above": "70 °C", "clock": "4400 MHz"}])
    there = {"core": 2, "width": 256, "temperature_c": 80.0, "clock_mhz": 4500.0}
    assert needed_v(planted, **there) - needed_v(silicon(), **there) == pytest.approx(0.05)
    for elsewhere in ({"core": 1}, {"width": 128}, {"temperature_c": 60.0}, {"clock_mhz": 4300.0}):
        at = {**there, **elsewhere}
        assert needed_v(planted, **at) == pytest.approx(needed_v(silicon(), **at), abs=1e-6), elsewhere


@given(st.floats(-0.05, 0.06))
def test_the_error_rate_is_the_tail_of_the_normal_distribution(margin_v):
    """scipy.stats.norm.sf"""
    rate = Lots(silicon(), 4, seed=1).errors_per_s(margin_v)
    assert rate == pytest.approx(TRIES_PER_S * scipy.stats.norm.sf(margin_v / 0.003), rel=1e-9)


def test_errors_come_more_often_with_less_voltage_more_clock_more_heat_and_wider_registers():
    lots = Lots(lantern().silicon, 6, seed=1)

    def rate(pins_v=1.1, clock_mhz=4800.0, width=256, temperature_c=70.0):
        needed = lots.needed_v(0, clock_mhz=clock_mhz, width=width, temperature_c=temperature_c)
        return lots.errors_per_s(pins_v - needed)

    for name, values in {
        "pins_v": (1.1, 1.095, 1.09),
        "clock_mhz": (4800.0, 4820.0, 4850.0),
        "width": (64, 256, 512),
        "temperature_c": (60.0, 80.0, 100.0),
    }.items():
        rates = [rate(**{name: value}) for value in values]
        assert rates == sorted(rates), name
        assert rates[0] < rates[-1], name


def test_a_seed_is_a_bench_and_another_seed_another_one():
    def margins(seed):
        bench = Bench(lantern(), sheet(), seed=seed)
        return bench.margins_v(Always(range(6)).kind)

    assert margins(1) == margins(1)
    assert margins(1) != margins(2)


def test_without_needed_voltages_no_core_ever_errs():
    bench = Bench(lantern(silicon={"needs": []}), sheet())
    bench.load = Always(range(6))
    bench.advance(10.0)
    assert bench.load.errors == {}


def test_draws_are_distributed_as_they_say():
    """Kolmogorov and Smirnov (scipy.stats.kstest) on 20,000 draws of one fixed seed each."""
    draws = Draws(7, 3)
    count = range(20_000)
    for numbers, law in (
        ([draws.uniform(n) for n in count], "uniform"),
        ([draws.exponential(n) for n in count], "expon"),
        ([draws.normal(n) for n in count], "norm"),
    ):
        assert scipy.stats.kstest(numbers, law).pvalue > 0.01, law
    assert len({Draws(*numbers).word(0) for numbers in ((7, 3), (7, 4), (8, 3), (7, 3, 0))}) == 4
