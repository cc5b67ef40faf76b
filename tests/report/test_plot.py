"""A plot of characters."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from soakd.report.plot import ROWS, Series, plotted


def test_a_plot_as_it_looks():
    line = Series(mark="o", points=[(column, float(column)) for column in range(12)])
    assert plotted([line], columns=12, below=[(0, "0"), (11, "11")], unit="V", digits=1) == [
        "   V",
        "11.0 |           o",
        "     |          o",
        "     |         o",
        "     |        o",
        "     |       o",
        " 6.0 |      o",
        "     |     o",
        "     |    o",
        "     |   o",
        "     |  o",
        "     | o",
        " 0.0 |o",
        "     +------------",
        "      0         11",
    ]


def test_one_value_is_one_row():
    flat = Series(mark="x", points=[(0, 5.0), (3, 5.0)])
    assert plotted([flat], columns=4, below=[], unit="V", digits=0) == ["V", "5 |x  x", "  +----", ""]


@given(st.lists(st.tuples(st.integers(0, 39), st.floats(-1e4, 1e4)), min_size=1))
def test_every_point_is_within_the_frame_and_every_column_with_a_point_has_a_mark(points):
    lines = plotted([Series(mark="o", points=points)], columns=40, below=[(39, "end")], unit="MHz", digits=0)
    assert len(lines) in {4, ROWS + 3}
    margin = lines[1].index("|") + 1
    marked = {place - margin for line in lines[1:-2] for place, cell in enumerate(line) if cell == "o"}
    assert marked == {column for column, _ in points}


def test_a_later_series_is_drawn_over_an_earlier_one():
    below, above = Series(mark="a", points=[(0, 1.0), (1, 2.0)]), Series(mark="b", points=[(0, 1.0)])
    lines = plotted([below, above], columns=2, below=[], unit="V", digits=0)
    assert lines[1].endswith("| a")
    assert lines[ROWS].endswith("|b")
