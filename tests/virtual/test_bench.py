"""The virtual bench as a whole: sheet, heat, restraint and faults, moved on in time."""

from __future__ import annotations

import pytest
from virtual_parts import Always, lantern, sheet

from soakd.model.sheet import Sheet
from soakd.virtual.bench import Bench, cores_of
from soakd.virtual.faults import MachineDown

ALL = range(6)


def loaded(about=None, of_sheet=None, after_s=3600.0, **load):
    bench = Bench(about or lantern(), of_sheet or sheet())
    bench.load = Always(load.pop("cores", ALL), **load)
    bench.advance(after_s)
    return bench


def changed(**parts):
    """The shipped sheet with other values in some of its tables."""
    declared = sheet()
    tables = {name: getattr(declared, name).model_copy(update=values) for name, values in parts.items()}
    return declared.model_copy(update=tables)


def fault(what, at="10 min", **more):
    return lantern(fault=[{"what": what, "at": at, **more}])


def test_settled_every_part_is_as_warm_as_its_power_makes_it():
    """Power times resistance, from the room to the coolant, the cold plate and the cores."""
    bench, heat = loaded(after_s=4 * 3600.0), lantern().heat
    coolant_c = bench.ambient_c + bench.power_w * heat.coolant.resistance_kw
    cooler_c = coolant_c + bench.power_w * heat.cooler.resistance_kw
    package_c = cooler_c + bench.power_w * heat.package.resistance_kw
    core_w = (bench.power_w - lantern().power.beside_w) / 6
    assert bench.coolant_c == pytest.approx(coolant_c, abs=0.02)
    assert bench.cooler_c == pytest.approx(cooler_c, abs=0.02)
    mean_c = sum(bench.temperatures_c) / 6
    assert mean_c == pytest.approx(package_c + core_w * heat.core.resistance_kw, abs=0.02)


def test_power_is_what_voltage_and_current_make():
    bench = loaded()
    assert bench.power_w == pytest.approx(bench.pins_v * bench.current_a + lantern().power.beside_w, rel=1e-3)


@pytest.mark.parametrize("cut_s", [0.13, 0.5, 10.0])
def test_it_does_not_matter_how_the_time_is_cut(cut_s):
    """But for leakage, which is held for a second at most."""
    whole, parts = loaded(after_s=600.0), Bench(lantern(), sheet())
    parts.load = Always(ALL)
    moments = 0.0
    while moments < 600.0:
        moments = min(600.0, moments + cut_s)
        parts.advance(moments)
    assert parts.hottest_c == pytest.approx(whole.hottest_c, abs=0.05)
    assert parts.coolant_c == pytest.approx(whole.coolant_c, abs=0.05)


def test_at_rest_nothing_moves():
    bench = Bench(lantern(), sheet())
    before = bench.temperatures_c
    bench.advance(3600.0)
    assert bench.temperatures_c == pytest.approx(before, abs=0.01)
    assert bench.ambient_c == 24.0, "the sheet's"
    assert 0.0 < bench.hottest_c - bench.ambient_c < 10.0


def test_a_load_for_half_of_the_time_warms_half_as_much_or_a_little_less():
    """Less, as cooler silicon leaks less, and the load line leaves more only while the load is on."""
    idle, half, full = (loaded(share=share, after_s=7200.0) for share in (0.0, 0.5, 1.0))
    middle_w = (idle.power_w + full.power_w) / 2
    assert 0.95 * middle_w < half.power_w <= middle_w


def test_clocks_are_those_that_the_sheet_allows():
    """Core 5 has a ceiling of its own, 49; wide registers lower that."""
    own = {width: loaded(width=width, activity=0.5, after_s=5.0).clocks_mhz for width in (64, 256, 512)}
    assert own == {
        64: dict.fromkeys(range(6), 4800.0),
        256: {**dict.fromkeys(range(5), 4800.0), 5: 4700.0, 2: 4800.0},
        512: {**dict.fromkeys(range(5), 4600.0), 5: 4400.0, 2: 4500.0},
    }
    assert loaded(cores=[0], width=64).clocks_mhz == {0: 5100.0}
    assert loaded(cores=[2], width=64).clocks_mhz == {2: 5000.0}


def test_a_bench_without_a_sheet_has_clock_and_voltage_of_its_own():
    bench = Bench(lantern())
    bench.load = Always([0])
    bench.advance(10.0)
    assert bench.clocks_mhz == {0: lantern().processor.clock_mhz}
    assert bench.pins_v == lantern().processor.voltage_v


def test_heat_lowers_the_clock_where_the_sheet_has_a_step_down():
    hot = lantern(heat={"core": {"capacity": "1.5 J/K", "resistance": "1.7 K/W"}})
    bench = loaded(hot)
    assert bench.hottest_c > 80.0
    seen = set()
    for _ in range(60):
        bench.advance(bench.now_s + 1.0)
        seen.add(bench.clocks_mhz[0])
        assert bench.clocks_mhz[0] in {4600.0, 4500.0}
    assert 4500.0 in seen
    assert bench.restraint.ratios == 0, "that is the sheet's doing, not the processor's own"


def test_a_power_limit_holds_on_the_mean_and_the_short_one_at_once():
    limited = changed(limits={"sustained_power_w": 100.0, "short_power_w": 120.0, "short_time_s": 28.0})
    bench = Bench(lantern(), limited)
    bench.load = Always(ALL)
    drawn_w = []
    for second in range(1, 601):
        bench.advance(float(second))
        drawn_w.append(bench.power_w)
    assert max(drawn_w) <= 120.5, "leakage is held for a second"
    assert sum(drawn_w[300:]) / 300 <= 101.0
    assert sum(drawn_w[:20]) / 20 > 110.0, "as long as the mean allows it"
    assert min(bench.clocks_mhz.values()) < 4400.0
    assert bench.restraint.power_count > 0
    assert bench.restraint.heat_count == 0


def test_a_current_limit_holds():
    bench = loaded(of_sheet=changed(limits={"current_a": 80.0}))
    assert 70.0 < bench.current_a <= 80.0
    assert bench.restraint.power_count > 0


def test_a_processor_that_is_too_hot_holds_itself_back_and_lives():
    bench = loaded(fault("pump-fails"), of_sheet=changed(limits={"throttle_c": 90.0}), after_s=1800.0)
    assert 80.0 < bench.hottest_c < 97.0
    assert bench.restraint.heat_count > 0
    assert max(bench.clocks_mhz.values()) < 4600.0


def test_one_that_cannot_save_itself_switches_the_machine_off():
    about = fault("pump-fails").model_copy(
        update={"processor": lantern().processor.model_copy(update={"trip_c": 92.0})}
    )
    with pytest.raises(MachineDown, match="switched the machine off at 92 °C") as gone:
        loaded(about, of_sheet=changed(clocks={"steps_down": ()}))
    assert 600.0 < gone.value.at_s < 900.0


@pytest.mark.parametrize(("what", "left", "warmer_k"), [("pump-fails", "0 %", 15.0), ("fans-fail", "20 %", 0.5)])
def test_failing_cooling_warms_and_cools_again_when_it_is_back(what, left, warmer_k):
    about = fault(what, until="12 min", left=left)
    bench = loaded(about, after_s=600.0)
    before_c = bench.hottest_c
    bench.advance(720.0)
    assert bench.hottest_c > before_c + warmer_k
    bench.advance(3600.0)
    assert bench.hottest_c == pytest.approx(loaded().hottest_c, abs=0.2)


def test_a_core_that_weakens_errs_from_then_on_and_above_its_temperature_alone():
    margins = {}
    for above in ("60 °C", "90 °C"):
        bench = loaded(fault("core-weakens", core=3, more="60 mV", above=above), after_s=599.0)
        before = bench.margins_v(bench.load.kind)
        bench.advance(601.0)
        margins[above] = bench.margins_v(bench.load.kind)[3] - before[3]
    assert margins["60 °C"] == pytest.approx(-0.06, abs=2e-3)
    assert margins["90 °C"] == pytest.approx(0.0, abs=2e-3)


@pytest.mark.parametrize("what", ["machine-hangs", "machine-resets"])
def test_a_machine_that_is_gone_goes_no_further(what):
    bench = Bench(fault(what, at="30 s"), sheet())
    bench.advance(29.9)
    with pytest.raises(MachineDown) as gone:
        bench.advance(100.0)
    assert (gone.value.at_s, bench.now_s) == (30.0, 30.0)


def test_the_bench_has_the_cores_of_its_file_or_of_the_sheet():
    declared = Sheet.model_validate_json(
        '{"version": 1, "name": "a", "processor": {"cores": 6, "cores-on": [0, 1, 4]}}'
    )
    assert cores_of(lantern(), sheet()) == 6
    assert cores_of(lantern(processor={"cores": 4}), sheet()) == 4
    assert cores_of(lantern(), declared) == 3
    assert cores_of(lantern(), None) == 8
