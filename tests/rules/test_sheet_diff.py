"""A change of any declared field changes the fingerprint and is named, that field and no other; writing it otherwise is
no change."""

from __future__ import annotations

import copy
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from run_parts import snapshot
from sheet_changes import at, others, place_of, quantity, ways, with_value
from sheets import documents, sheet_of, toml_of

from soakd.config.files import load_sheet
from soakd.rules.fingerprint import fingerprint
from soakd.rules.sheet_diff import differences
from soakd.rules.sheet_fields import fields

BENCH = snapshot()


@settings(max_examples=150)
@given(documents(), st.data())
def test_a_change_of_any_field_changes_the_fingerprint_and_that_field_alone_is_named(document, data):
    way = data.draw(st.sampled_from(sorted(ways(document), key=str)))
    choices = others(document, way)
    if not choices:
        return
    new = with_value(document, way, data.draw(st.sampled_from(choices)))
    old_sheet, new_sheet = sheet_of(document), sheet_of(new)
    assert fingerprint(old_sheet, BENCH) != fingerprint(new_sheet, BENCH)
    (found,) = differences(old_sheet, new_sheet)
    assert found.place == place_of(document, way)
    assert found.old != found.new or isinstance(found.old, bool) != isinstance(found.new, bool)
    assert found.line.startswith(f"{found.place} ")
    old, new_text = found.line.removeprefix(f"{found.place} ").split(" → ")
    assert old != new_text


@given(documents(), st.data())
def test_a_field_that_is_left_out_is_named_alone(document, data):
    optional = [way for way in ways(document) if way != ("name",) and not isinstance(way[-2], int)]
    if not optional:
        return
    way = data.draw(st.sampled_from(sorted(optional, key=str)))
    new = copy.deepcopy(document)
    removed = at(new, way[:-1])
    if way[-2] == "top":
        return
    del removed[way[-1]]
    (found,) = differences(sheet_of(document), sheet_of(new))
    assert (found.place, found.new) == (place_of(document, way), None)
    assert found.line.endswith(" → not declared")
    (back,) = differences(sheet_of(new), sheet_of(document))
    assert (back.place, back.old, back.new) == (found.place, None, found.old)


def respelled(value, draw, *, name=""):
    """The same document, written another way: keys and entries in another order, numbers and quantities otherwise."""
    if isinstance(value, dict):
        keys = draw(st.permutations(list(value)))
        return {key: respelled(value[key], draw, name=key) for key in keys}
    if isinstance(value, list):
        return [respelled(each, draw) for each in draw(st.permutations(value))]
    if isinstance(value, float) and value.is_integer():
        return int(value)
    if isinstance(value, str) and name not in {"name", "note", "parent"} and (parts := quantity(value)):
        number, unit = parts
        small = {"V": "mV", "A": "mA", "W": "mW", "s": "ms"}
        spellings = [f"{value}", f"  {number:.12g}{unit} ", f"{number:.12e} {unit}"]
        spellings += [f"{number * 1000:.12g} {small[unit]}"] if unit in small else []
        return draw(st.sampled_from(spellings))
    return value


@given(documents(), st.data())
def test_order_spelling_notes_parents_and_remarks_are_no_change(document, data):
    written = {**respelled(document, data.draw), "note": "other words", "parent": "another one"}
    one, other = sheet_of(document), sheet_of(written)
    assert fingerprint(one, BENCH) == fingerprint(other, BENCH)
    assert differences(one, other) == []


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    return tmp_path_factory.mktemp("sheets") / "trial.toml"


@given(documents(), st.data())
def test_a_file_is_read_as_what_it_says_whatever_is_remarked_in_it(file, document, data):
    file.write_text(toml_of(respelled(document, data.draw), remark="version = 2"), encoding="utf-8")
    assert fingerprint(load_sheet(file), BENCH) == fingerprint(sheet_of(document), BENCH)


@given(documents(), documents())
def test_no_difference_is_one_fingerprint_and_one_fingerprint_is_no_difference(one, other):
    first, second = sheet_of(one), sheet_of(other)
    same = fingerprint(first, BENCH) == fingerprint(second, BENCH)
    found = differences(first, second)
    assert (found == []) is same
    assert len(differences(second, first)) == len(found)
    assert len({each.place for each in found}) == len(found), "no place is named twice"


@given(documents())
def test_the_fields_of_a_sheet_are_what_differs_from_an_empty_one(document):
    sheet = sheet_of(document)
    bare = sheet_of({"version": 1, "name": document["name"]})
    named = {each.place: each.new for each in differences(bare, sheet)}
    assert named == {place: leaf for place, leaf in fields(sheet).items() if place != "name"}


def lines(old, new):
    head = {"version": 1, "name": "T"}
    return [each.line for each in differences(sheet_of({**head, **old}), sheet_of({**head, **new}))]


LIMITS = [{"active-cores": 2, "ratio": 51}, {"active-cores": 4, "ratio": 49}]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            {"clocks": {"limits": LIMITS}},
            {"clocks": {"limits": [LIMITS[0], {"active-cores": 4, "ratio": 48}]}},
            ["clocks, limits, up to 4 active cores: ratio 49 → 48"],
        ),
        (
            {"clocks": {"limits": LIMITS}},
            {"clocks": {"limits": [LIMITS[0], {"active-cores": 6, "ratio": 49}]}},
            ["clocks, limits, up to 4 active cores: active-cores 4 → 6"],
        ),
        (
            {"clocks": {"limits": LIMITS}},
            {"clocks": {"limits": [*LIMITS, {"active-cores": 6, "ratio": 47.5}]}},
            ["clocks, limits, up to 6 active cores: ratio not declared → 47.5"],
        ),
        (
            {"clocks": {"limits": LIMITS}},
            {"clocks": {"limits": [LIMITS[0], {"active-cores": 6, "ratio": 47}]}},
            [
                "clocks, limits, up to 4 active cores: ratio 49 → not declared",
                "clocks, limits, up to 6 active cores: ratio not declared → 47",
            ],
        ),
        (
            {"clocks": {"steps-down": [{"at": "85 °C", "by": 1}]}},
            {"clocks": {"steps-down": [{"at": "87 °C", "by": 1}]}},
            ["clocks, steps-down, from 85 °C: at 85 °C → 87 °C"],
        ),
        ({"values": {"boost": True}}, {"values": {"boost": "yes"}}, ['values: boost true → "yes"']),
        ({"values": {"boost": True}}, {"values": {"boost": 1}}, ["values: boost yes → 1"]),
        (
            {"processor": {"cores-on": [0, 1, 2]}},
            {"processor": {"cores-on": [2, 0]}},
            ["processor: cores-on 0, 1, 2 → 0, 2"],
        ),
        (
            {"voltages": {"curve": [{"ratio": 8, "voltage": "0.7 V", "offset": "0 V"}]}},
            {"voltages": {"curve": [{"ratio": 8.0, "voltage": "700 mV"}]}},
            [],
        ),
        ({"memory": {}, "values": {}}, {"note": "n", "parent": "p"}, []),
    ],
)
def test_differences_in_words(old, new, expected):
    assert lines(old, new) == expected


def test_the_name_of_the_trial_counts():
    one, other = (sheet_of({"version": 1, "name": name}) for name in ("A", "B"))
    assert [each.line for each in differences(one, other)] == ["name A → B"]
    assert json.loads(one.model_dump_json())["name"] == "A"
