"""Plan and sheet as values: quantities come in as text, stand as numbers, and go out as text that comes in again."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from soakd.model.plan import Plan
from soakd.model.sheet import LARGEST_EXACT, Sheet

STAGE = {"name": "A", "workload": "integer", "duration": "10 s"}


def read_plan(**changes):
    return Plan.model_validate_json(json.dumps({"version": 1, "name": "T", "stage": [STAGE], **changes}))


def read_sheet(value):
    return Sheet.model_validate_json(json.dumps({"version": 1, "name": "T", "values": {"x": value}}))


def test_quantities_of_a_file_become_numbers_in_the_unit_that_the_field_is_named_after():
    read = read_plan(
        **{"coverage-floor": "97 %", "guard": {"tick": "500 ms", "swap": "1 GiB", "temperature-margin": "7 K"}}
    )
    assert (read.coverage_floor_percent, read.stages[0].duration_s) == (97.0, 10.0)
    assert (read.guard.tick_s, read.guard.swap_mib, read.guard.temperature_margin_k) == (0.5, 1024.0, 7.0)


@pytest.mark.parametrize("duration", [10, 10.5, "10", True, None, "nan s", "1e999 s"])
def test_a_file_s_quantity_without_a_unit_is_refused(duration):
    with pytest.raises(ValidationError):
        read_plan(stage=[{**STAGE, "duration": duration}])


@given(
    st.floats(min_value=1.0, max_value=1e6),
    st.sampled_from(["s", "ms", "min", "h"]),
    st.floats(50, 100),
    st.floats(0, 9),
)
def test_a_plan_survives_being_written_and_read(number, unit, floor, hold):
    scale = {"s": 1, "ms": 1000, "min": 1 / 60, "h": 1 / 3600}[unit]
    limit = {"of": "cpu-temperature", "above": "90 °C", "hold": f"{hold!r} s"}
    read = read_plan(
        **{
            "coverage-floor": f"{floor!r} %",
            "stage": [{**STAGE, "duration": f"{number * scale!r} {unit}"}],
            "limit": [limit],
        }
    )
    assert Plan.model_validate_json(read.model_dump_json()) == read


@given(
    st.one_of(
        st.booleans(), st.integers(-LARGEST_EXACT, LARGEST_EXACT), st.floats(-1e12, 1e12), st.text(alphabet="abcdefg °")
    )
)
def test_a_sheet_survives_being_written_and_read(value):
    read = read_sheet(value)
    assert Sheet.model_validate_json(read.model_dump_json()) == read


@given(st.floats(-1e6, 1e6), st.sampled_from(["mV", "GHz", "MT/s", "°C", "mΩ"]))
def test_a_sheet_s_quantity_survives_being_written_and_read(number, unit):
    read = read_sheet(f"{number!r} {unit}")
    assert Sheet.model_validate_json(read.model_dump_json()) == read


@pytest.mark.parametrize("value", [LARGEST_EXACT + 1, -LARGEST_EXACT - 1])
def test_a_whole_number_that_json_cannot_hold_exactly_is_refused(value):
    """RFC 8785 section 3.2.2.3, RFC 8259 section 6: numbers are IEEE 754 doubles."""
    with pytest.raises(ValidationError, match="no exact place in JSON"):
        read_sheet(value)


def test_plans_and_sheets_cannot_be_changed():
    with pytest.raises(ValidationError):
        read_plan().name = "other"
    with pytest.raises(ValidationError):
        read_sheet(1).name = "other"


def test_a_plan_lasts_as_long_as_its_stages():
    assert read_plan(stage=[STAGE, {**STAGE, "duration": "1 min"}]).duration_s == 70.0
