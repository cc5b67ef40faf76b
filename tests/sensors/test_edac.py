"""Memory errors by controller and module (Documentation/admin-guide/ras.rst, ABI/testing/sysfs-devices-edac)."""

from __future__ import annotations

import shutil

import pytest
from bench_tree import put
from hypothesis import given
from hypothesis import strategies as st
from kernel_trees import controller, edac, make

from soakd.model.channels import Role
from soakd.sensors.edac import EdacSource

TWO = {0: "DIMM_A1", 1: "DIMM_B1"}
A1 = "edac/mc0/DIMM_A1 corrected"
GONE = "gone: it does not exist any more"


class Bench:
    """A source over a tree, and a hand on its counters."""

    def __init__(self, root, *controllers):
        self.root = make(root / "mc", edac(*controllers))
        self.source = EdacSource(self.root)

    def errors(self, **files):
        """What is not nought when the counters (`mc0__dimm0__dimm_ce_count`) stand so."""
        for place, value in files.items():
            put(self.root / place.replace("__", "/"), value)
        values, gaps = self.source.read()
        assert gaps == {}
        return {name: value for name, value in values.items() if value}


@pytest.fixture
def two(tmp_path):
    return Bench(tmp_path, controller(TWO))


def test_every_module_is_a_channel_for_each_kind_and_so_is_what_lies_in_none(two):
    assert [(channel.name, channel.role) for channel in two.source.channels()] == [
        ("edac/mc0/DIMM_A1 corrected", Role.CORRECTED_MEMORY_ERRORS),
        ("edac/mc0/DIMM_B1 corrected", Role.CORRECTED_MEMORY_ERRORS),
        ("edac/mc0/no module corrected", Role.CORRECTED_MEMORY_ERRORS),
        ("edac/mc0/DIMM_A1 uncorrected", Role.UNCORRECTED_MEMORY_ERRORS),
        ("edac/mc0/DIMM_B1 uncorrected", Role.UNCORRECTED_MEMORY_ERRORS),
        ("edac/mc0/no module uncorrected", Role.UNCORRECTED_MEMORY_ERRORS),
    ]


def test_an_error_is_counted_at_its_module_and_not_again_at_its_controller(two):
    """`ce_count` is the total of the controller: its modules' and `ce_noinfo_count` (edac_mc.c, edac_inc_ce_error)."""
    files = {"mc0__ce_count": 4, "mc0__dimm0__dimm_ce_count": 3, "mc0__ce_noinfo_count": 1}
    assert two.errors(**files) == {A1: 3.0, "edac/mc0/no module corrected": 1.0}
    assert two.errors(mc0__ue_count=1, mc0__dimm1__dimm_ue_count=1)["edac/mc0/DIMM_B1 uncorrected"] == 1.0


def test_errors_from_before_the_source_was_made_do_not_count(tmp_path):
    old = controller(TWO) | {"ce_count": 900, "dimm0/dimm_ce_count": 900}
    bench = Bench(tmp_path, old)
    assert bench.errors() == {}
    assert bench.errors(mc0__dimm0__dimm_ce_count=902) == {A1: 2.0}


def test_rows_of_older_drivers_are_modules_too(tmp_path):
    """`rankX`: "the memory controller doesn't have any logic to identify the memory module"."""
    bench = Bench(tmp_path, controller({0: "mc#0csrow#0channel#0", 1: "mc#0csrow#0channel#1"}, folder="rank"))
    assert bench.errors(mc0__rank1__dimm_ce_count=5) == {"edac/mc0/mc#0csrow#0channel#1 corrected": 5.0}


def test_a_controller_without_modules_is_read_as_a_whole(tmp_path):
    bench = Bench(tmp_path, controller({}))
    assert bench.errors(mc0__ce_count=2, mc0__ce_noinfo_count=2) == {"edac/mc0 corrected": 2.0}


def test_where_the_rest_is_not_shown_the_controller_is_read_as_a_whole(tmp_path):
    """The document prints `ce_yesinfo_count`, which no driver has: errors of no module must not be lost for that."""
    bench = Bench(tmp_path, controller(TWO))
    (bench.root / "mc0" / "ce_noinfo_count").unlink()
    bench.source = EdacSource(bench.root)
    assert bench.errors(mc0__ce_count=3, mc0__dimm0__dimm_ce_count=2) == {"edac/mc0 corrected": 3.0}


@pytest.mark.parametrize(
    ("labels", "names"),
    [
        ({0: "", 1: ""}, ["dimm0 corrected", "dimm1 corrected"]),
        ({0: "A", 1: "A", 10: "B"}, ["A at dimm0 corrected", "A at dimm1 corrected", "B corrected"]),
        ({0: "dimm1", 1: ""}, ["dimm1 corrected", "dimm1 corrected #2"]),
        ({0: " CPU_SrcID#0\x01MC#0 \n"}, ["CPU_SrcID#0 MC#0 corrected"]),
    ],
)
def test_names_are_unique_and_readable_whatever_the_labels_are(tmp_path, labels, names):
    channels = Bench(tmp_path, controller(labels)).source.channels()
    corrected = [c.name.removeprefix("edac/mc0/") for c in channels if c.role is Role.CORRECTED_MEMORY_ERRORS]
    assert corrected == [*names, "no module corrected"]
    assert len({c.name for c in channels}) == len(channels) == 2 * len(corrected)


def test_controllers_count_each_by_itself(tmp_path):
    bench = Bench(tmp_path, controller(TWO), controller(TWO))
    assert bench.errors(mc1__dimm0__dimm_ce_count=1) == {"edac/mc1/DIMM_A1 corrected": 1.0}


# `reset_counters`: "will zero all the statistical counters … will also reset the timer".
@pytest.mark.parametrize(
    ("after_reset", "age_s", "total"),
    [
        pytest.param(0, 86_401, 7, id="less than before"),
        pytest.param(2, 3, 9, id="less than before, and the timer too"),
        pytest.param(7, 3, 14, id="as many as before: only the timer shows it"),
        pytest.param(12, 3, 19, id="more than before: only the timer shows it"),
        pytest.param(12, 86_401, 12, id="no reset"),
    ],
)
def test_a_reset_loses_nothing_and_never_counts_backwards(two, after_reset, age_s, total):
    assert two.errors(mc0__dimm0__dimm_ce_count=7) == {A1: 7.0}
    put(two.root / "mc0" / "seconds_since_reset", age_s)
    assert two.errors(mc0__dimm0__dimm_ce_count=after_reset) == {A1: float(total)}
    put(two.root / "mc0" / "seconds_since_reset", age_s + 1)
    assert two.errors(mc0__dimm0__dimm_ce_count=after_reset + 1) == {A1: float(total + 1)}


@given(st.lists(st.tuples(st.integers(0, 50), st.booleans()), max_size=30))
def test_the_count_is_what_came_since_the_start_whatever_is_reset_in_between(tmp_path_factory, steps):
    """The timer counts whole seconds: a second reset within one of them would not show, and is left out."""
    bench = Bench(tmp_path_factory.mktemp("edac"), controller({0: "A"}))
    shown = total = age_s = 0
    for errors, reset in steps:
        shown, age_s = (errors, 0) if reset and age_s else (shown + errors, age_s + 1)
        total += errors
        put(bench.root / "mc0" / "seconds_since_reset", age_s)
        assert bench.errors(mc0__dimm0__dimm_ce_count=shown).get("edac/mc0/A corrected", 0.0) == total


@pytest.mark.parametrize("content", ["", "N/A", "-1"])
def test_a_counter_that_is_no_count_is_a_gap_and_goes_on_afterwards(two, content):
    two.errors(mc0__dimm0__dimm_ce_count=3)
    put(two.root / "mc0" / "dimm0" / "dimm_ce_count", content)
    values, gaps = two.source.read()
    assert list(gaps) == [A1]
    assert len(values) == 5
    assert two.errors(mc0__dimm0__dimm_ce_count=4) == {A1: 4.0}


def test_a_driver_that_is_unloaded_leaves_gaps_and_counts_on_when_it_comes_back(two):
    two.errors(mc0__dimm0__dimm_ce_count=3)
    shutil.rmtree(two.root / "mc0")
    assert two.source.read() == ({}, {channel.name: GONE for channel in two.source.channels()})
    make(two.root, edac(controller(TWO, age_s=0)))
    assert two.errors(mc0__dimm0__dimm_ce_count=1) == {A1: 4.0}


def test_a_counter_that_could_not_be_read_at_the_start_counts_from_its_first_reading(tmp_path):
    bench = Bench(tmp_path, controller(TWO) | {"dimm0/dimm_ce_count": ""})
    assert bench.errors(mc0__dimm0__dimm_ce_count=500) == {}
    assert bench.errors(mc0__dimm0__dimm_ce_count=501) == {A1: 1.0}


def test_a_bench_without_controllers_has_no_channels(tmp_path):
    source = EdacSource(make(tmp_path / "mc", {"uevent": ""}))
    assert (source.channels(), source.read()) == ([], ({}, {}))
