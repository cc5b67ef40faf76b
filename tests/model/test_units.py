"""A quantity as a person writes it means one number in the base unit, and canonical text brings that number back."""

from __future__ import annotations

import math
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakd import units

EVERY_UNIT = [(dimension, unit) for dimension in units.DIMENSIONS for unit in dimension.factors]


@pytest.mark.parametrize(("dimension", "unit"), EVERY_UNIT, ids=lambda value: getattr(value, "name", value))
def test_every_unit_is_read_as_so_many_of_the_base_unit(dimension, unit):
    factor = dimension.factors[unit]
    assert units.parse(f"3 {unit}", dimension) == pytest.approx(3 * factor, rel=1e-11)
    assert units.parse(f"-2.5{unit}", dimension) == pytest.approx(-2.5 * factor, rel=1e-11)
    assert units.parse_any(f"3 {unit}") == units.show(3 * factor, dimension)


@pytest.mark.parametrize("dimension", units.DIMENSIONS, ids=lambda dimension: dimension.name)
def test_the_base_unit_is_one_of_the_accepted_ones_with_factor_one(dimension):
    assert dimension.factors[dimension.base] == 1.0


def test_a_unit_belongs_to_one_dimension_only():
    """Otherwise text without a named dimension could mean two things."""
    assert {unit: n for unit, n in Counter(unit for _, unit in EVERY_UNIT).items() if n > 1} == {}


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        # SI prefixes (SI Brochure, 9th edition, table 7), binary prefixes (IEC 80000-13)
        ("1200 mV", units.VOLTAGE, 1.2),
        ("4.7 GHz", units.FREQUENCY, 4700.0),
        ("800000 kHz", units.FREQUENCY, 800.0),
        ("8 GiB", units.DATA_SIZE, 8192.0),
        ("512 KiB", units.DATA_SIZE, 0.5),
        ("90 min", units.TIME, 5400.0),
        ("250 ms", units.TIME, 0.25),
        ("2 h", units.TIME, 7200.0),
        ("0.0009 Ω", units.RESISTANCE, 0.9),
        ("3 us", units.DURATION_NS, 3000.0),
        ("2 L/min", units.FLOW, 120.0),
        # number spellings
        ("+1.5e3 mV", units.VOLTAGE, 1.5),
        (".5 V", units.VOLTAGE, 0.5),
        ("1. V", units.VOLTAGE, 1.0),
        ("  90°C ", units.TEMPERATURE, 90.0),
        # one sign, several code points: ohm sign, micro sign, degree Celsius, minus sign, no-break space
        ("0.9 m\N{OHM SIGN}", units.RESISTANCE, 0.9),
        ("3 \N{MICRO SIGN}s", units.DURATION_NS, 3000.0),
        ("90 \N{DEGREE CELSIUS}", units.TEMPERATURE, 90.0),
        ("\N{MINUS SIGN}35 mV", units.VOLTAGE, -0.035),
        ("1.2\N{NO-BREAK SPACE}V", units.VOLTAGE, 1.2),
    ],
)
def test_what_people_write_is_understood(text, dimension, value):
    assert units.parse(text, dimension) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "dimension", "says"),
    [
        ("90", units.TEMPERATURE, ["unit is missing", "°C"]),
        ("90 K", units.TEMPERATURE, ["'K' is not a unit of temperature", "°C"]),
        ("5 °C", units.TEMPERATURE_DIFFERENCE, ["'°C' is not a unit of temperature difference", "use K"]),
        ("5 mw", units.POWER, ["'mw'", "mW"]),
        ("hot", units.TEMPERATURE, ["a number and a unit", "°C"]),
        ("", units.TIME, ["a number and a unit"]),
        ("1,5 V", units.VOLTAGE, ["the decimal sign is a point: 1.5 V"]),
        ("1e999 V", units.VOLTAGE, ["finite"]),
        ("nan V", units.VOLTAGE, ["a number and a unit"]),
        ("inf V", units.VOLTAGE, ["a number and a unit"]),
    ],
)
def test_a_wrong_or_missing_unit_is_refused_with_what_would_be_right(text, dimension, says):
    with pytest.raises(ValueError) as refused:
        units.parse(text, dimension)
    assert all(part in str(refused.value) for part in says)


@pytest.mark.parametrize("text", ["cold plate", "", "on", "-", "V 1.2"])
def test_words_are_no_quantity(text):
    assert units.parse_any(text) is None


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("51", "unit is missing; write a plain count without quotes"),
        ("5 mw", "did you mean mW?"),
        ("1,2 V", "the decimal sign is a point: 1.2 V"),
        ("2x16 GiB", "text that begins with a digit is a quantity"),
    ],
)
def test_a_number_in_no_known_unit_is_refused(text, says):
    with pytest.raises(ValueError) as refused:
        units.parse_any(text)
    assert says in str(refused.value)


NUMBERS = st.floats(min_value=-1e9, max_value=1e9, allow_nan=False)


@given(st.sampled_from(EVERY_UNIT), NUMBERS)
def test_canonical_text_brings_the_same_number_back(kind, number):
    dimension, unit = kind
    value = units.parse(f"{number!r} {unit}", dimension)
    text = units.show(value, dimension)
    assert units.parse(text, dimension) == value
    assert units.parse_any(text) == text
    assert value == pytest.approx(number * dimension.factors[unit], rel=1e-11, abs=1e-300)


@given(st.sampled_from([d for d in units.DIMENSIONS if len(d.factors) > 1]), st.integers(1, 999_999), st.data())
def test_two_spellings_of_one_quantity_are_one_text(dimension, thousandths, data):
    one = data.draw(st.sampled_from(sorted(dimension.factors)))
    other = data.draw(st.sampled_from(sorted(dimension.factors)))
    number = thousandths / 1000
    converted = number * dimension.factors[one] / dimension.factors[other]
    assert units.parse_any(f"{number} {one}") == units.parse_any(f"{converted!r} {other}")


def test_minus_zero_is_zero():
    assert units.parse_any("-0 mV") == units.parse_any("0 V") == "0 V"
    assert math.copysign(1.0, units.parse("-0 V", units.VOLTAGE)) == 1.0


@pytest.mark.parametrize(
    ("duration_s", "text"),
    [
        (0.0, "0 s"),
        (8.5, "8.5 s"),
        (10.0, "10 s"),
        (59.94, "59.9 s"),
        (59.97, "1 min"),  # never 60 s
        (60.0, "1 min"),
        (185.0, "3 min 05 s"),
        (3599.7, "1 h"),  # never 60 min
        (27_000.0, "7 h 30 min"),
        (3_660.0, "1 h 01 min"),
        (90_000.0, "25 h"),
    ],
)
def test_a_duration_is_said_as_people_say_it(duration_s, text):
    assert units.duration_text(duration_s) == text


@pytest.mark.parametrize(
    ("size_bytes", "text"),
    [
        (0, "0 B"),
        (1023, "1023 B"),
        (1024, "1 KiB"),
        (512 * 2**20, "512 MiB"),
        (8.2 * 2**30, "8.2 GiB"),
        (16 * 2**30, "16 GiB"),
        (10.04 * 2**20, "10 MiB"),
    ],
)
def test_a_size_is_said_in_binary_units(size_bytes, text):
    assert units.size_text(size_bytes) == text


@pytest.mark.parametrize(
    ("count", "text"),
    [
        (0, "0"),
        (12_345, "12 345"),
        (999_999, "999 999"),
        (1e6, "1 × 10⁶"),
        (843e6, "843 × 10⁶"),
        (999.96e6, "1 × 10⁹"),  # never 1e+03 × 10⁶
        (1.24e12, "1.24 × 10¹²"),
        (3.456e16, "34.6 × 10¹⁵"),
    ],
)
def test_a_count_is_said_with_a_decimal_power(count, text):
    assert units.count_text(count) == text


@given(st.floats(min_value=1e6, max_value=1e24))
def test_a_large_count_s_text_is_the_count_to_three_digits(count):
    mantissa, power = units.count_text(count).split(" × 10")
    exponent = int(power.translate(str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹", "0123456789")))
    assert exponent % 3 == 0
    assert 1 <= float(mantissa) < 1000
    assert float(mantissa) * 10**exponent == pytest.approx(count, rel=5.1e-3)
