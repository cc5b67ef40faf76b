"""Core lists in the format of bitmaps, Documentation/admin-guide/cputopology.rst."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soakd.model.corelist import MOST_CORES, cores_in, grouped, ranges

CORES = st.sets(st.integers(0, MOST_CORES - 1), max_size=40)


@pytest.mark.parametrize(
    ("cores", "text"),
    [
        (set(), ""),
        ({0}, "0"),
        ({0, 1}, "0-1"),
        ({3, 1, 0, 2}, "0-3"),
        ({0, 1, 2, 3, 8}, "0-3,8"),
        ({0, 2, 4}, "0,2,4"),
        ({0, 2, 3, 7, 8, 9}, "0,2-3,7-9"),
    ],
)
def test_cores_are_listed_as_the_kernel_lists_them(cores, text):
    assert ranges(cores) == text
    assert cores_in(text) == cores


@given(CORES)
def test_a_list_names_the_cores_it_was_made_from(cores):
    assert cores_in(ranges(cores)) == cores


@pytest.mark.parametrize("text", [" ", "0-", "-1", "0,,1", "1-0", "a", "0-3;8", "٣", f"{MOST_CORES}", "0-99999999999"])
def test_what_is_no_list_is_refused(text):
    with pytest.raises(ValueError, match="not a list of cores"):
        cores_in(text)


@given(st.dictionaries(st.integers(0, 60), st.integers(0, 3)))
def test_every_core_is_in_one_group_with_its_value(values):
    groups = grouped(values)
    assert {core: value for cores, value in groups.items() for core in cores_in(cores)} == values
    assert len(set(groups.values())) == len(groups)
