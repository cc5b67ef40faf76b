"""A plan's limits become bounds on this bench's channels or a refusal; the watch over them keeps its hold times."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_parts import CPU, channel, limit, plan, stage

from soakd.errors import EXIT_CONFIG, RefusedError
from soakd.model.channels import Batch, Role
from soakd.model.limits import Bound
from soakd.rules.bounds import CONSERVATIVE_CPU_LIMIT_C, resolve
from soakd.rules.limits import BoundWatch

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


ERRORS = channel("edac/mc0 corrected", Role.CORRECTED_MEMORY_ERRORS)
INPUTS = [channel(critical=95.0), COOLANT, PUMP, ERRORS]


def made(**parts):
    """The one bound of a plan with this limit, besides the processor's own."""
    bounds, _ = resolve(plan(stage(duration_s=600.0), limits=[limit(**parts)]), INPUTS)
    return bounds[0]


def test_a_band_keeps_both_edges():
    each = made(of=COOLANT.name, outside=("5 °C", "45 °C"), then="fail")
    assert (each.side, each.low, each.value, each.unit, each.then) == ("outside", 5.0, 45.0, "°C", "fail")


def test_a_difference_is_in_kelvin_and_names_what_is_taken_away():
    each = made(of="cpu-temperature", minus="coolant-temperature", above="45 K")
    assert (each.measure, each.minus, each.unit, each.value) == ("difference", (COOLANT.name,), "K", 45.0)
    assert each.what == f"{CPU} minus coolant-temperature"


def test_a_difference_within_a_role_takes_every_other_channel_of_it():
    second = channel("hwmon/k10temp/Tccd1")
    wanted = plan(limits=[limit(minus="cpu-temperature", above="15 K")])
    bounds, _ = resolve(wanted, [channel(critical=95.0), second])
    assert [(b.channel, b.minus) for b in bounds if b.minus] == [(CPU, (second.name,)), (second.name, (CPU,))]


def test_a_rise_is_per_minute_over_its_time_and_a_count_per_hour():
    rise = made(of="coolant-temperature", rises="0.1 K/s", over_s=60.0)
    assert (rise.measure, rise.value, rise.unit, rise.over_s) == ("rise", 6.0, "K/min", 60.0)
    counted = made(of="corrected-memory-errors", per_hour="5 errors", then="note")
    assert (counted.measure, counted.value, counted.unit) == ("count", 5.0, "events")


@pytest.mark.parametrize(
    "parts",
    [
        {"above": "85 °C", "then": "note"}, {"above": "85 °C", "then": "fail"},
        {"above": "85 °C", "share_percent": 5.0}, {"minus": "coolant-temperature", "above": "45 K"},
        {"rises": "60 K/min"},
    ],
    ids=str,
)  # fmt: skip
def test_a_limit_that_does_not_stop_for_heat_does_not_replace_the_one_that_does(parts):
    bounds, _ = resolve(plan(stage(duration_s=600.0), limits=[limit(**parts)]), INPUTS)
    assert [(b.channel, b.value) for b in bounds if b.stops_heat] == [(CPU, 90.0)]


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ({"outside": ("5 °C", "190 °C"), "of": COOLANT.name}, "190 °C can never be reached by a working sensor"),
        ({"minus": "coolant-temperature", "above": "200 K"}, "200 K can never be reached"),
        ({"of": "coolant-temperature", "rises": "20 K/s"}, "can never be reached"),
        ({"of": "corrected-memory-errors", "per_hour": "9e9 events"}, "can never be reached"),
        ({"minus": "board-temperature", "above": "45 K"}, "minus board-temperature: this bench has no such role"),
        ({"minus": CPU, "above": "45 K"}, "this bench has no such role or channel to compare with"),
        ({"minus": "fan", "above": "45 K"}, f"{CPU} is a temperature and {PUMP.name} a rotation"),
        ({"of": PUMP.name, "per_hour": "5 events"}, "is a rotation: per-hour: a rotation is no count of events"),
        ({"of": ERRORS.name, "rises": "5 W/min"}, "is a count: rises: what counts events is limited by"),
        ({"above": "85 °C", "share_percent": 5.0, "hold_s": 700.0}, "its hold is longer than the plan's longest stage"),
        ({"of": PUMP.name, "below": "900 rpm", "hold_s": 700.0}, "its hold is longer than the whole plan (10 min)"),
        ({"rises": "1 K/s", "over_s": 1200.0}, "a rise over 20 min is never known in a plan of 10 min"),
    ],
    ids=str,
)
def test_a_limit_that_could_never_be_broken_or_watches_nothing_is_refused(parts, says):
    with pytest.raises(RefusedError) as refused:
        made(**{"of": "cpu-temperature", **parts})
    assert says in refused.value.message


def test_a_rise_over_so_few_ticks_that_it_is_noise_is_refused():
    wanted = plan(stage(duration_s=600.0), limits=[limit(rises="1 K/s", over_s=30.0)], tick_s=10.0)
    with pytest.raises(RefusedError, match="a rise over 30 s is noise at this plan's tick") as refused:
        resolve(wanted, INPUTS)
    assert "over = 60 s" in refused.value.hint


def test_what_cannot_be_read_cannot_be_taken_away():
    wanted = plan(limits=[limit(minus=COOLANT.name, above="45 K")])
    with pytest.raises(RefusedError, match=f"{COOLANT.name} cannot be read now: fault"):
        resolve(wanted, INPUTS, {COOLANT.name: "fault"})


def over(bounds, rows, **stage_of):
    """Weights of what the watch says at each moment of (time, values)."""
    watch = BoundWatch(bounds)
    if stage_of:
        watch.stage_begins(0.0, **stage_of)
    return [
        [f.weight for f in watch.observe(Batch(source="s", at_s=at_s, values=values, gaps={}))] for at_s, values in rows
    ]


HOT = [(float(n), {CPU: 95.0}) for n in range(4)]


@pytest.mark.parametrize(
    ("then", "said"),
    [("stop", [["fail"]] * 4), ("fail", [["fail"], [], [], []]), ("note", [["note"], [], [], []])],
)
def test_what_does_not_stop_the_load_is_said_once(then, said):
    each = bound(hold_s=0.0).model_copy(update={"then": then})
    assert over((each,), HOT) == said


def test_and_once_more_in_the_next_stage():
    watch = BoundWatch((bound(hold_s=0.0).model_copy(update={"then": "note"}),))
    heat = Batch(source="s", at_s=1.0, values={CPU: 95.0}, gaps={})
    assert [len(watch.observe(heat)) for _ in range(2)] == [1, 0]
    watch.stage_begins(2.0, 10.0)
    assert [len(watch.observe(heat)) for _ in range(2)] == [1, 0]


def test_a_rise_has_its_hold_time_too():
    """20 K/min from the start: known after 24 s of 30 s, broken 5 s later."""
    each = made(of="cpu-temperature", rises="10 K/min", hold_s=5.0)
    rows = [(float(n), {CPU: 40.0 + n / 3.0}) for n in range(40)]
    said = over((each,), rows)
    assert next(n for n, weights in enumerate(said) if weights) == 29


def test_a_share_needs_no_hold_to_be_told_and_its_own_hold_sets_which_spells_count():
    each = made(of="cpu-temperature", above="85 °C", share_percent=5.0, hold_s=2.0, then="fail")
    rows = [(float(n), {CPU: 95.0 if n % 10 < 4 else 60.0}) for n in range(40)]
    assert [n for n, weights in enumerate(over((each,), rows, duration_s=100.0)) if weights] == [12]


@pytest.mark.parametrize(
    ("parts", "rows", "text"),
    [
        (
            {"of": COOLANT.name, "outside": ("5 °C", "45 °C")}, [{COOLANT.name: 46.0}],
            f"coolant-temperature: {COOLANT.name} read 46.0 °C, outside 5 to 45 °C (plan)",
        ),
        (
            {"minus": "coolant-temperature", "above": "45 K"}, [{CPU: 80.0, COOLANT.name: 30.0}],
            f"cpu-temperature: {CPU} minus coolant-temperature was 50.0 K, above 45 K (plan)",
        ),
        (
            {"of": "corrected-memory-errors", "per_hour": "2 events"}, [{ERRORS.name: 1.0}, {ERRORS.name: 4.0}],
            f"corrected-memory-errors: {ERRORS.name} counted 3 events within an hour, above 2 events in an hour (plan)",
        ),
        (
            {"of": "cpu-temperature", "rises": "2 K/s"}, [{CPU: 40.0 + 3.0 * n} for n in range(31)],
            f"cpu-temperature: {CPU} rose by 180.0 K/min, above 120 K/min over 30 s (plan)",
        ),
    ],
    ids=["band", "difference", "count", "rise"],
)  # fmt: skip
def test_it_says_what_was_seen_in_its_own_terms(parts, rows, text):
    watch = BoundWatch((made(**{"of": "cpu-temperature", **parts}),))
    found = [f for n, row in enumerate(rows) for f in watch.observe(Batch(source="s", at_s=n, values=row, gaps={}))]
    assert (found[0].text, found[0].limit) == (text, 0)
