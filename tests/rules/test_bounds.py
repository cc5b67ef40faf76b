"""A plan's limits become bounds on this bench's channels or a refusal; the watch over them keeps its hold times."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_parts import CPU, channel, limit, plan

from soakd.errors import EXIT_CONFIG, RefusedError
from soakd.model.channels import Batch, Role
from soakd.model.limits import Bound
from soakd.rules.bounds import CONSERVATIVE_CPU_LIMIT_C, BoundWatch, resolve

PUMP, CASE_FAN = channel("hwmon/board/pump", Role.FAN), channel("hwmon/board/fan1", Role.FAN)
COOLANT = channel("hwmon/board/coolant", Role.COOLANT_TEMPERATURE)
MAINS = channel("power/mains", Role.MAINS)


def facts(bounds):
    return [(b.channel, b.side, b.value, b.unit, b.hold_s) for b in bounds]


def test_a_limit_on_a_role_bounds_every_channel_of_that_role():
    hot = [channel(), channel("hwmon/k10temp/Tccd1"), COOLANT]
    bounds, cautions = resolve(plan(limits=[limit(above="88 °C", hold_s=3.0)]), hot)
    assert facts(bounds) == [(CPU, "above", 88.0, "°C", 3.0), ("hwmon/k10temp/Tccd1", "above", 88.0, "°C", 3.0)]
    assert {b.origin for b in bounds} == {"plan"}
    assert cautions == ()


def test_a_limit_on_a_channel_bounds_that_channel_alone_in_its_own_unit():
    asked = plan(limits=[limit(PUMP.name, below="1e3 rpm"), limit(above="90 °C")])
    bounds, _ = resolve(asked, [channel(), PUMP, CASE_FAN])
    assert facts(bounds) == [(PUMP.name, "below", 1000.0, "rpm", 0.0), (CPU, "above", 90.0, "°C", 0.0)]


def test_without_a_temperature_limit_the_sensor_s_critical_value_less_the_margin_holds():
    bounds, _ = resolve(plan(temperature_margin_k=7.0), [channel(critical=95.0)])
    assert facts(bounds) == [(CPU, "above", 88.0, "°C", 0.0)]
    assert "critical 95 °C less 7 K" in bounds[0].origin


def test_without_any_stated_value_a_conservative_limit_holds():
    bounds, _ = resolve(plan(), [channel()])
    assert facts(bounds) == [(CPU, "above", CONSERVATIVE_CPU_LIMIT_C, "°C", 0.0)]
    assert "conservative default" in bounds[0].origin


def test_a_lower_bound_on_temperature_does_not_replace_the_upper_one():
    bounds, _ = resolve(plan(limits=[limit(below="10 °C")]), [channel(critical=95.0)])
    assert facts(bounds) == [(CPU, "below", 10.0, "°C", 0.0), (CPU, "above", 90.0, "°C", 0.0)]


@pytest.mark.parametrize("limits", [(), [limit(above="90 °C")]], ids=["no limit", "limit on temperature"])
def test_a_bench_without_processor_temperature_is_refused_where_the_plan_requires_one(limits):
    with pytest.raises(RefusedError, match="no processor temperature can be read") as refused:
        resolve(plan(limits=limits), [COOLANT])
    assert refused.value.exit_code == EXIT_CONFIG
    assert "if-available" in refused.value.hint


@pytest.mark.parametrize("limits", [(), [limit(above="90 °C")]], ids=["no limit", "limit on temperature"])
def test_a_bench_without_processor_temperature_is_warned_of_where_the_plan_allows_it(limits):
    bounds, cautions = resolve(plan(limits=limits, temperature="if-available"), [COOLANT])
    assert bounds == ()
    assert any("NOT observed" in line for line in cautions)
    assert any("watches nothing" in line for line in cautions) == bool(limits)


def test_a_limit_that_names_nothing_is_refused_and_the_roles_of_this_bench_are_named():
    with pytest.raises(RefusedError, match="limit on pump-speed: this bench has no such role or channel") as refused:
        resolve(plan(limits=[limit("pump-speed", below="900 rpm")]), [channel(), PUMP])
    assert "cpu-temperature, fan" in refused.value.hint


def test_a_limit_on_a_channel_in_another_dimension_is_refused():
    with pytest.raises(RefusedError, match="is a rotation: '°C' is not a unit of rotation; use rpm"):
        resolve(plan(limits=[limit(PUMP.name, above="90 °C")]), [channel(), PUMP])


@pytest.mark.parametrize("of", ["mains", MAINS.name])
def test_a_channel_that_says_yes_or_no_cannot_be_limited(of):
    with pytest.raises(RefusedError, match="only yes or no"):
        resolve(plan(limits=[limit(of, below="1 V")]), [channel(), MAINS])


def test_a_limit_above_the_sensor_s_own_critical_value_is_warned_of():
    _, cautions = resolve(plan(limits=[limit(above="99 °C")]), [channel(critical=95.0)])
    assert len(cautions) == 1
    assert "limit of 99 °C" in cautions[0]
    assert "above the sensor's own critical 95" in cautions[0]


def bound(side="above", value=90.0, hold_s=3.0):
    return Bound(
        channel=CPU,
        role=Role.CPU_TEMPERATURE,
        side=side,
        value=value,
        unit="°C",
        hold_s=hold_s,
        origin="plan",
    )


def watched(of_bound, readings):
    """Times at which the bound was called broken; a reading of None is a tick without one."""
    watch = BoundWatch((of_bound,))
    times = []
    for at_s, reading in readings:
        values = {} if reading is None else {CPU: reading}
        gaps = {CPU: "no new reading"} if reading is None else {}
        if watch.observe(Batch(source="hwmon", at_s=at_s, values=values, gaps=gaps)):
            times.append(at_s)
    return times


@pytest.mark.parametrize(
    ("of_bound", "readings", "times"),
    [
        pytest.param(
            bound(hold_s=0.0), [(0, 90.0), (1, 90.1)], [1], id="no hold: at once, but not at the bound itself"
        ),
        pytest.param(bound(), [(0, 91), (1, 91), (2, 91)], [], id="shorter than the hold"),
        pytest.param(bound(), [(0, 91), (1, 91), (2, 91), (3, 91)], [3], id="as long as the hold"),
        pytest.param(bound(), [(0, 91), (2, 91), (2.5, 90), (3, 91), (5.5, 91)], [], id="an interruption starts anew"),
        pytest.param(bound(), [(0, 91), (2, 89), (3, 91), (6, 91)], [6], id="and then runs its full time"),
        pytest.param(bound(), [(0, 91), (1, None), (2, None), (3, 91)], [3], id="a gap does not mend"),
        pytest.param(bound(), [(0, 91), (3, None), (4, 89)], [], id="a gap does not break"),
        pytest.param(bound("below", 1.0), [(0, 0.9), (1, 0.9), (3, 0.9), (4, 1.0)], [3], id="below"),
        pytest.param(bound("below", 1.0, 0.0), [(0, 5.0), (1, 1.0), (2, 0.99)], [2], id="below, no hold"),
    ],
)
def test_a_bound_breaks_after_its_hold_time_without_a_break(of_bound, readings, times):
    assert watched(of_bound, readings) == times


def test_a_broken_bound_fails_the_run_and_says_what_was_read_and_what_was_allowed():
    watch = BoundWatch((bound(),))
    for at_s in (0.0, 3.5):
        findings = watch.observe(Batch(source="hwmon", at_s=at_s, values={CPU: 91.26}, gaps={}))
    (finding,) = findings
    assert (finding.rule, finding.weight) == ("limit-broken", "fail")
    assert (finding.channel, finding.sample, finding.bound, finding.unit) == (CPU, 91.26, 90.0, "°C")
    assert all(part in finding.text for part in ("91.3 °C", "above 90 °C", "for 3.5 s", "(plan)"))


def test_bounds_do_not_share_their_times():
    watch = BoundWatch((bound(hold_s=2.0), bound(value=80.0, hold_s=2.0)))
    found = {}
    for at_s, reading in [(0, 85), (1, 91), (2, 91), (3, 91)]:
        found[at_s] = [f.bound for f in watch.observe(Batch(source="s", at_s=at_s, values={CPU: reading}, gaps={}))]
    assert found == {0: [], 1: [], 2: [80.0], 3: [90.0, 80.0]}


STEPS = st.lists(st.tuples(st.floats(0.05, 3.0), st.sampled_from([None, 80.0, 95.0])), max_size=40)


@given(STEPS, st.floats(0.0, 10.0))
def test_a_bound_speaks_exactly_when_the_hold_time_has_passed_without_a_good_reading(steps, hold_s):
    """Held against a second, slower reading of the same sentence: look back to the first bad one of this row."""
    readings, now = [], 0.0
    for step, reading in steps:
        now += step
        readings.append((now, reading))
    expected = []
    for index, (at_s, reading) in enumerate(readings):
        if reading != 95.0:
            continue
        row = [t for t, r in readings[: index + 1] if r is not None]
        good = max((t for t, r in readings[:index] if r == 80.0), default=float("-inf"))
        first_bad = min(t for t in row if t > good)
        if at_s - first_bad >= hold_s:
            expected.append(at_s)
    assert watched(bound(hold_s=hold_s), readings) == expected


@pytest.mark.parametrize(
    ("of", "bound"), [("cpu-temperature", "900 °C"), ("cpu-temperature", "126 °C"), (CPU, "-5 °C")]
)
def test_a_limit_that_a_working_sensor_never_reaches_is_refused(of, bound):
    with pytest.raises(RefusedError, match="never be reached"):
        resolve(plan(limits=[limit(of, above=bound)]), [channel()])


def test_a_limit_on_the_probed_clock_is_refused():
    probe = channel("probe/core 0", Role.PROBED_CLOCK)
    with pytest.raises(RefusedError, match="cannot be limited"):
        resolve(plan(limits=[limit("probed-clock", below="4 GHz")]), [channel(), probe])


def test_a_channel_that_cannot_be_read_is_not_watched_and_that_is_said():
    dead = channel("hwmon/k10temp/Tccd2", critical=90.0)
    bounds, cautions = resolve(plan(), [channel(critical=95.0), dead], {dead.name: "fault"})
    assert [bound.channel for bound in bounds] == [CPU]
    assert cautions == ("hwmon/k10temp/Tccd2 cannot be read, so nothing watches it: fault",)
    with pytest.raises(RefusedError, match="cannot be read now: fault"):
        resolve(plan(limits=[limit(dead.name, above="90 °C")]), [channel(), dead], {dead.name: "fault"})


def test_a_bench_whose_only_processor_sensor_cannot_be_read_has_none():
    with pytest.raises(RefusedError, match="nothing was started"):
        resolve(plan(), [channel()], {CPU: "fault"})
