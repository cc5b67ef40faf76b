"""Whatever a plugin returns as Python objects is a number, a reason, or one line that says what was wrong."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from soakd.model.channels import Channel, Role
from soakd.plugins.contract import LONGEST_REASON, Broken, checked_answer, checked_channels, checked_remarks, reason

NAMES = ("coolant", "pump")


class Treacherous(float):
    """A number that is none when it is asked."""

    def __float__(self):
        raise RuntimeError

    def __repr__(self):
        raise RuntimeError


class Endless:
    """Never stops giving channels."""

    def __iter__(self):
        while True:
            yield Channel(name="a", role=Role.FAN)


scalars = st.one_of(
    st.none(), st.booleans(), st.floats(), st.integers(), st.text(max_size=10), st.binary(max_size=5),
    st.complex_numbers(), st.fractions(), st.decimals(), st.just(10**400), st.just(np.float32(3.5)),
    st.just(np.int8(3)), st.just(object()), st.builds(Treacherous),
)  # fmt: skip
values = st.recursive(
    scalars, lambda inner: st.one_of(st.lists(inner, max_size=2), st.tuples(inner, inner)), max_leaves=4
)
names = st.one_of(st.sampled_from(NAMES), st.text(max_size=3), st.integers(), st.none())
tables = st.dictionaries(names, values, max_size=4)
replies = st.one_of(values, st.tuples(tables, tables), st.tuples(tables, tables, tables), tables)


def checked(answer):
    """As the plugin's process does it: one line for what is no answer at all is the reason for every channel."""
    try:
        return checked_answer(answer, NAMES)
    except Broken as broken:
        return {}, dict.fromkeys(NAMES, str(broken))


@settings(max_examples=2000, suppress_health_check=list(HealthCheck), database=None)
@given(replies)
def test_answers_of_any_objects_are_numbers_or_reasons(answer):
    sound, said = checked(answer)
    assert sound.keys() | said.keys() == set(NAMES)
    assert not sound.keys() & said.keys()
    assert all(type(value) is float and math.isfinite(value) for value in sound.values())
    assert all(0 < len(text) <= LONGEST_REASON and text.isprintable() for text in said.values())


@settings(max_examples=200, database=None)
@given(st.text(max_size=2000))
def test_a_reason_is_one_short_printable_line(text):
    assert 0 < len(reason(text)) <= LONGEST_REASON
    assert reason(text).isprintable()


@pytest.mark.parametrize("number", [31.5, 31, Fraction(63, 2), np.float32(31.5), np.int64(31)])
def test_every_kind_of_real_number_is_one(number):
    sound, said = checked_answer(({"coolant": number}, {"pump": "off"}), NAMES)
    assert sound == {"coolant": float(number)}
    assert said == {"pump": "off"}


def test_a_channel_that_never_ends_is_not_waited_for():
    with pytest.raises(Broken, match="more than 64 channels"):
        checked_channels(Endless())


def test_remarks_are_kept_of_channels_alone_and_of_tables_alone():
    assert checked_remarks({"coolant": "a\tb", 3: "c"}, NAMES) == {"coolant": "a b"}
    assert checked_remarks(["coolant"], NAMES) == {}
