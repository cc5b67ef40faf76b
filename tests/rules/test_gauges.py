"""What each bound is held against, against plain second computations of the same sentence; and in bounded room."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_parts import CPU
from scipy.stats import theilslopes

from soakd.model.channels import Role
from soakd.model.limits import HOUR_S, Bound
from soakd.rules.gauges import Gauges
from soakd.rules.trace import Trace, slope

COOLANT, SECOND = "hwmon/board/coolant", "hwmon/board/coolant 2"
ERRORS = "edac/mc0 corrected"


def bound(**changes):
    return Bound(
        **{
            "channel": CPU, "role": Role.CPU_TEMPERATURE, "side": "above", "value": 90.0, "unit": "°C", "hold_s": 0.0,
            "origin": "plan", **changes,
        }
    )  # fmt: skip


def difference(side="above", value=40.0, minus=(COOLANT,)):
    return bound(measure="difference", side=side, value=value, unit="K", minus=minus, minus_of="coolant-temperature")


def count(most):
    role = Role.CORRECTED_MEMORY_ERRORS
    return bound(channel=ERRORS, role=role, measure="count", value=float(most), unit="events")


def followed(of_bound, rows, tick_s=1.0):
    """What is held against one bound at each moment of (time, values); None where there is nothing new."""
    gauges = Gauges((of_bound,), tick_s)
    return [gauges.take(at_s, values).get(0) for at_s, values in rows]


def test_a_reading_is_held_against_its_bound_as_it_is():
    assert followed(bound(), [(0.0, {CPU: 71.0}), (1.0, {}), (2.0, {CPU: 95.0})]) == [71.0, None, 95.0]


@pytest.mark.parametrize(("side", "worst"), [("above", 80.0 - 30.0), ("below", 80.0 - 35.0)])
def test_of_several_channels_the_difference_that_is_worst_counts(side, worst):
    rows = [(0.0, {CPU: 80.0, COOLANT: 30.0, SECOND: 35.0})]
    assert followed(difference(side, minus=(COOLANT, SECOND)), rows) == [worst]


def test_a_difference_takes_the_other_reading_as_long_as_it_is_fresh():
    """Two sources may come one after the other; a lost one leaves no difference after three ticks."""
    rows = [(0.0, {CPU: 80.0}), (0.1, {COOLANT: 30.0}), (1.0, {CPU: 81.0}), (3.1, {CPU: 82.0}), (3.2, {CPU: 83.0})]
    assert followed(difference(), rows) == [None, None, 51.0, 52.0, None]


def test_a_difference_needs_every_channel_that_is_taken_away():
    rows = [(0.0, {CPU: 80.0, COOLANT: 30.0}), (1.0, {CPU: 80.0, COOLANT: 30.0, SECOND: 20.0})]
    assert followed(difference(minus=(COOLANT, SECOND)), rows) == [None, 60.0]


JUMPS = st.lists(st.tuples(st.floats(1.0, 900.0), st.integers(-3, 6)), min_size=1, max_size=60)


@given(JUMPS, st.integers(0, 12))
def test_events_within_an_hour_are_counted_and_a_counter_that_was_set_back_begins_anew(jumps, most):
    """Against all events there ever were, each with its moment. Beyond the bound it may count fewer, but still more
    than the bound allows."""
    now, shown, rows, events = 0.0, 10, [(0.0, {ERRORS: 10.0})], []
    for step_s, jump in jumps:
        now += step_s
        came = jump if jump >= 0 else max(0, shown + jump)
        shown = max(0, shown + jump)
        events += [now] * came
        rows.append((now, {ERRORS: float(shown)}))
    seen = followed(count(most), rows)
    for (at_s, _), value in zip(rows, seen, strict=True):
        true = sum(at_s - HOUR_S < moment <= at_s for moment in events)
        assert value == true if true <= most else value > most


def test_what_was_counted_before_the_run_does_not_count():
    assert followed(count(3), [(0.0, {ERRORS: 500.0}), (1.0, {ERRORS: 501.0})]) == [0.0, 1.0]


@given(st.floats(-5.0, 5.0), st.floats(20.0, 90.0), st.sampled_from([0.1, 1.0, 3.0]))
def test_a_steady_rise_is_found_exactly_and_only_after_most_of_its_time(rise_k_per_s, start, tick_s):
    each = bound(measure="rise", value=60.0, unit="K/min", over_s=30.0)
    times = [n * tick_s for n in range(math.ceil(60.0 / tick_s))]
    seen = followed(each, [(at_s, {CPU: start + rise_k_per_s * at_s}) for at_s in times], tick_s)
    known = [at_s for at_s, value in zip(times, seen, strict=True) if value is not None]
    assert 24.0 - 1e-9 <= known[0] <= 30.0
    assert [value for value in seen if value is not None] == pytest.approx([60.0 * rise_k_per_s] * len(known), abs=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_noise_alone_is_no_rise(seed):
    """Half a kelvin of noise over 30 s: the resistant line and SciPy's Theil-Sen line both stay below 5 K/min."""
    draw = random.Random(seed)
    each = bound(measure="rise", value=60.0, unit="K/min", over_s=30.0)
    rows = [(float(n), {CPU: 70.0 + draw.gauss(0.0, 0.5)}) for n in range(400)]
    seen = [value for value in followed(each, rows) if value is not None]
    assert max(map(abs, seen)) < 10.0
    last = rows[-31:]
    line = theilslopes([values[CPU] for _, values in last], [at_s for at_s, _ in last])
    assert seen[-1] == pytest.approx(60.0 * line.slope, abs=3.0)


@given(st.integers(0, 29), st.floats(-60.0, 60.0))
def test_one_wild_reading_moves_the_slope_no_further_than_its_neighbours_allow(place, off):
    points = [(float(n), 50.0 + 0.2 * n) for n in range(30)]
    points[place] = (points[place][0], points[place][1] + off)
    assert slope(points) == pytest.approx(0.2, abs=0.2 / 20.0 + 1e-9)


@given(st.lists(st.tuples(st.floats(0.01, 3.0), st.floats(-50.0, 50.0)), min_size=1, max_size=80))
def test_a_trace_keeps_means_of_spans_and_never_more_than_it_may(steps):
    trace, now, added = Trace(span_s=2.0, most=10), 0.0, []
    for step_s, value in steps:
        now += step_s
        trace.add(now, value)
        added.append(value)
        points = trace.points()
        assert len(points) <= 11
        assert points == sorted(points)
        assert [trace.last(count) for count in (1, 2, 5, 20)] == [points[-count:] for count in (1, 2, 5, 20)]
        assert min(added) - 1e-9 <= min(v for _, v in points) <= max(v for _, v in points) <= max(added) + 1e-9


def share_rows(pattern, tick_s=1.0):
    return [(n * tick_s, {CPU: 95.0 if hot == "#" else 80.0}) for n, hot in enumerate(pattern)]


def share_of(pattern, *, hold_s=0.0, duration_s=100.0):
    gauges = Gauges((bound(share_percent=5.0, hold_s=hold_s),), 1.0)
    gauges.stage_begins(0.0, duration_s)
    return [gauges.take(at_s, values)[0] for at_s, values in share_rows(pattern)]


@pytest.mark.parametrize(
    ("pattern", "hold_s", "last"),
    [
        ("....", 0.0, 0.0),
        (".###.", 0.0, 3.0),
        (".#.#.#.", 0.0, 3.0),
        (".#.#.#.", 1.5, 0.0),
        (".###..#.", 2.0, 3.0),
        (".#######", 2.0, 6.0),
    ],
)
def test_a_share_counts_the_time_from_each_reading_beyond_to_the_next(pattern, hold_s, last):
    """Of a stage of 100 s, so that seconds are percent; spells shorter than the hold count nothing."""
    assert share_of(pattern, hold_s=hold_s)[-1] == last


@given(st.text("#.", min_size=2, max_size=60), st.floats(0.0, 6.0))
def test_a_share_equals_the_sum_of_its_long_spells(pattern, hold_s):
    spells = [len(spell) for spell in (pattern[:-1] + ".").replace(".", " ").split()]
    expected = sum(spell for spell in spells if spell >= hold_s)
    assert share_of(pattern, hold_s=hold_s)[-1] == pytest.approx(expected)


def test_a_share_is_that_of_the_stage_and_of_nothing_between_two():
    gauges = Gauges((bound(share_percent=5.0),), 1.0)
    hot = {CPU: 95.0}
    assert gauges.take(0.0, hot) == {}
    gauges.stage_begins(1.0, 50.0)
    assert [gauges.take(at_s, hot)[0] for at_s in (1.0, 2.0, 3.0)] == [0.0, 2.0, 4.0]
    gauges.stage_ends()
    assert gauges.take(4.0, hot) == {}
    gauges.stage_begins(5.0, 100.0)
    assert [gauges.take(at_s, hot)[0] for at_s in (5.0, 6.0)] == [0.0, 1.0]


def test_memory_stays_bounded_over_a_night():
    """30,000 ticks: a rise keeps its means, a count no more entries than an hour has seconds."""
    gauges = Gauges((bound(measure="rise", value=60.0, unit="K/min", over_s=3600.0), count(100_000)), 1.0)
    for n in range(30_000):
        gauges.take(float(n), {CPU: 70.0 + n % 7, ERRORS: float(n)})
    ((_, _, rise, _),) = gauges._of[CPU]
    ((_, _, counted, _),) = gauges._of[ERRORS]
    assert len(rise._trace.points()) <= 31
    assert len(counted._recent) <= HOUR_S
