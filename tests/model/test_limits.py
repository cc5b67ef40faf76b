"""A limit says one thing, in units that fit; a bound knows what breaks it and what is left until then."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from soakd import units
from soakd.model.channels import ROLE_DIMENSIONS, Role
from soakd.model.limits import Bound, Limit

READINGS = st.floats(-200.0, 5000.0)
WIDTHS = st.floats(0.001, 100.0)


def bound(**changes):
    return Bound(
        **{
            "channel": "hwmon/a/b", "role": Role.CPU_TEMPERATURE, "side": "above", "value": 90.0, "unit": "°C",
            "hold_s": 0.0, "origin": "plan", **changes,
        }
    )  # fmt: skip


@pytest.mark.parametrize(
    ("limit", "form", "dimension"),
    [
        ({"above": "90 °C"}, "above", units.TEMPERATURE),
        ({"outside": ("10 °C", "90 °C")}, "outside", units.TEMPERATURE),
        ({"above": "40 K", "minus": "coolant-temperature"}, "above", units.TEMPERATURE_DIFFERENCE),
        ({"outside": ("-5 K", "40 K"), "minus": "coolant-temperature"}, "outside", units.TEMPERATURE_DIFFERENCE),
        ({"rises": "2 K/s", "over": "1 min"}, "rises", units.rate_of(units.TEMPERATURE)),
        ({"above": "85 °C", "share": "5 %", "hold": "10 min"}, "above", units.TEMPERATURE),
    ],
)
def test_a_limit_has_one_form_and_its_bound_the_unit_that_goes_with_it(limit, form, dimension):
    made = Limit.model_validate({"of": "cpu-temperature", **limit})
    assert made.form == form
    assert made.dimension_for(units.TEMPERATURE) == dimension


def test_a_channel_that_is_no_role_takes_any_unit_that_a_channel_has():
    for dimension in {d.base: d for d in ROLE_DIMENSIONS.values() if d is not None}.values():
        for unit in dimension.factors:
            assert Limit(of="some/channel", above=f"3 {unit}").bound_text == f"3 {unit}"
            if dimension is not units.TEMPERATURE:
                assert Limit(of="some/channel", minus="another", above=f"3 {unit}").minus == "another"
    assert Limit(of="some/channel", rises="3 W/min").window_s == 30.0
    assert Limit(of="some/channel", per_hour="3 events").form == "per-hour"


@pytest.mark.parametrize(
    ("limit", "says"),
    [
        ({}, "above: a limit needs `above` or `below`"),
        ({"above": "90 °C", "below": "5 °C"}, "above: a limit has `above` or `below`, not both"),
        ({"above": "90 °C", "rises": "2 K/s"}, "rises: a limit has one of above, below, outside, rises, per-hour"),
        ({"outside": ("90 °C", "10 °C")}, "outside: from the lower edge to the upper one"),
        ({"outside": ("90 °C", "90 °C")}, "outside: from the lower edge to the upper one"),
        ({"outside": ("10 V", "90 °C")}, "outside: 'V' is not a unit of temperature"),
        ({"above": "40 °C", "minus": "coolant-temperature"}, "above: '°C' is not a unit of temperature difference"),
        ({"rises": "2 K"}, "rises: 'K' is not a unit of rate of temperature; use K/s, K/min, K/h"),
        ({"rises": "-2 K/s"}, "rises: must not be negative"),
        ({"rises": "2 K/s", "minus": "coolant-temperature"}, "minus: a difference can be `above`, `below` or"),
        ({"rises": "2 K/s", "share": "5 %"}, "share: goes with `above`, `below` or `outside`"),
        ({"above": "90 °C", "over": "1 min"}, "over: only a limit with `rises` has it"),
        ({"per-hour": "3 events"}, "per-hour: a temperature is no count of events; roles that count are mac"),
        ({"of": "throttle-events", "per-hour": "2.5 events"}, "per-hour: events are counted whole"),
        ({"of": "throttle-events", "per-hour": "-1 events"}, "per-hour: must not be negative"),
        ({"of": "throttle-events", "rises": "3 events/h"}, "rises: what counts events is limited by how many in"),
        ({"of": "some/channel", "above": "fast"}, "above: must be a number with its unit"),
        ({"of": "some/channel", "above": "3 parsec"}, "above: a number with one of these units: °C"),
        ({"above": "90 °C", "hold": "61 s"}, "hold: a processor that is too hot is not waited for longer than 60 s"),
        ({"outside": ("1 °C", "90 °C"), "hold": "61 s"}, "hold: a processor that is too hot is not waited for longer"),
    ],
)  # fmt: skip
def test_what_a_limit_cannot_mean_is_refused_with_what_would_be_right(limit, says):
    with pytest.raises(ValidationError) as refused:
        Limit.model_validate({"of": "cpu-temperature", **limit})
    assert says in refused.value.errors()[0]["msg"]


@pytest.mark.parametrize(
    "limit", [{"then": "note"}, {"then": "fail"}, {"share": "5 %"}, {"minus": "coolant-temperature", "above": "40 K"}]
)
def test_only_what_stops_the_load_for_heat_may_not_wait_long(limit):
    assert Limit.model_validate({"of": "cpu-temperature", "above": "90 °C", "hold": "10 min", **limit}).hold_s == 600.0


@given(READINGS, READINGS, st.sampled_from(["above", "below"]))
def test_a_bound_is_broken_strictly_beyond_its_value(value, reading, side):
    broken = bound(side=side, value=value).broken_by(reading)
    assert broken == (reading > value if side == "above" else reading < value)


@given(READINGS, WIDTHS, READINGS)
def test_a_band_is_broken_where_either_of_its_edges_is(low, width, reading):
    band = bound(side="outside", low=low, value=low + width)
    edges = bound(side="above", value=low + width), bound(side="below", value=low)
    assert band.broken_by(reading) == any(edge.broken_by(reading) for edge in edges)
    assert band.margin(reading) == min(edge.margin(reading) for edge in edges)
    assert band.edge(reading)[1] in (low, low + width)


@given(READINGS, READINGS)
def test_what_is_left_has_the_sign_of_the_margin_whatever_it_is_measured_in(value, reading):
    for side in ("above", "below"):
        each = bound(side=side, value=value)
        assert (each.left_share(reading) < 0.0) == each.broken_by(reading)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({}, "stops above 90 °C"),
        ({"side": "below", "then": "fail"}, "fails below 90 °C"),
        ({"side": "outside", "low": 4.9, "value": 5.1, "unit": "V"}, "stops outside 4.9 to 5.1 V"),
        ({"measure": "rise", "value": 3.0, "unit": "K/min", "over_s": 60.0}, "stops above 3 K/min over 1 min"),
        (
            {"measure": "count", "value": 5.0, "unit": "events", "then": "note"},
            "notes above 5 events in an hour",
        ),
        ({"share_percent": 5.0, "then": "fail"}, "fails above 90 °C for more than 5 % of a stage"),
    ],
)
def test_it_says_what_it_does_and_when(changes, says):
    assert bound(**changes).says == says


def test_a_share_is_watched_in_percent_and_breaks_at_more_than_its_own():
    each = bound(share_percent=5.0)
    assert (each.watched_unit, each.margin(4.0), each.edge(4.0)) == ("%", 1.0, ("above", 5.0))
    assert each.beyond(90.1)
    assert not each.broken_by(5.0)
    assert each.broken_by(5.1)


def test_only_a_plain_upper_bound_on_the_processor_stops_for_heat():
    assert bound().stops_heat
    assert bound(side="outside", low=1.0).stops_heat
    for other in (
        {"side": "below"}, {"then": "fail"}, {"then": "note"}, {"share_percent": 5.0}, {"measure": "rise"},
        {"measure": "difference"}, {"role": Role.COOLANT_TEMPERATURE},
    ):  # fmt: skip
        assert not bound(**other).stops_heat


def test_rates_come_per_minute():
    """Arithmetic: 2 K/s are 120 K/min, 90 K/h are 1.5 K/min."""
    rate = units.rate_of(units.TEMPERATURE)
    assert (units.parse("2 K/s", rate), units.parse("90 K/h", rate)) == (120.0, 1.5)
    assert rate.base == "K/min"
    assert units.parse("3 kHz/s", units.rate_of(units.FREQUENCY)) == pytest.approx(0.18)
