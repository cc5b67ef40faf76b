"""Operating points in words."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakd.rules.point_words import core_text, folded, group_text, said, spans, width_text
from soakd.rules.points import Point

EIGHT = range(8)
NAMED = (1, 4, 8)


@pytest.mark.parametrize(
    ("cores", "of", "text"),
    [
        ((3,), EIGHT, "core 3"),
        ((0, 1, 2, 3, 6), EIGHT, "cores 0-3, 6"),
        (tuple(EIGHT), EIGHT, "all cores"),
        (tuple(EIGHT), (), "cores 0-7"),
        ((0,), (0,), "core 0"),
    ],
)
def test_cores(cores, of, text):
    assert core_text(cores, of) == text


def test_groups_and_widths():
    assert spans(NAMED) == ((1, 1), (2, 4), (5, 8))
    assert [group_text(span) for span in spans(NAMED)] == ["1 active", "2-4 active", "5-8 active"]
    assert [width_text(width) for width in (64, 512)] == ["scalar", "512 bits"]


@given(st.dictionaries(st.integers(0, 20), st.integers(0, 3), min_size=1))
def test_folding_loses_no_core_and_puts_together_what_is_alike(told):
    rows = folded(sorted(told), told.__getitem__)
    assert {core: value for cores, value in rows for core in cores} == told
    assert len({value for _, value in rows}) == len(rows)
    assert [cores[0] for cores, _ in rows] == sorted(cores[0] for cores, _ in rows)


@pytest.mark.parametrize(
    ("points", "lines"),
    [
        ([(core, 1, 512) for core in (4, 5, 6, 7)], ["cores 4-7 alone at 512 bits"]),
        ([(core, 1, 64) for core in EIGHT], ["every core alone at scalar"]),
        ([(3, 4, 64), (3, 4, 256), (3, 4, 512)], ["core 3 with 2-4 active at scalar, 256 and 512 bits"]),
        (
            [(core, 8, width) for core in EIGHT for width in (256, 512)] + [(0, 1, 64)],
            ["core 0 alone at scalar", "all cores with 5-8 active at 256 and 512 bits"],
        ),
        (
            [(0, 4, 64), (1, 4, 64), (1, 4, 128)],
            ["core 0 with 2-4 active at scalar", "core 1 with 2-4 active at scalar and 128 bits"],
        ),
        ([], []),
    ],
)
def test_points_that_can_be_said_together_are(points, lines):
    assert said([Point(*point, 0) for point in points], named=NAMED, cores=EIGHT) == lines


def test_the_only_core_of_a_bench_is_not_alone():
    assert said([Point(0, 1, 64, 0)], named=(1,), cores=(0,)) == ["core 0 with 1 active at scalar"]
