"""Whatever lies in the tree: nothing raises, names are unique, and every channel is a value or a gap with a reason."""

from __future__ import annotations

import math
import tempfile
from pathlib import Path

import pytest
from bench_tree import Chip, make_hwmon, put
from hypothesis import given, settings
from hypothesis import strategies as st

from soakd.model.channels import Role
from soakd.sensors.hwmon import HwmonSource

CONTENT = st.one_of(
    st.integers(-(10**25), 10**25).map(lambda number: str(number).encode()),
    st.integers(-300_000, 300_000).map(lambda number: f"{number}\n".encode()),
    st.binary(max_size=40),
    st.sampled_from([b"", b"\n", b"0", b"1", b"-0", b"+5", b"nan", b"inf", b"1e3", b"CPU", b"Tctl\n", b"0x10"]),
)
STEM = st.builds(
    "{}{}".format,
    st.sampled_from(["temp", "in", "curr", "power", "fan"]),
    st.sampled_from(["", "0", "1", "2", "007", "99999999999999999999"]),
)
FILE = st.builds("{}_{}".format, STEM, st.sampled_from(["input", "label", "fault", "crit", "max", "average"]))
FILES = st.dictionaries(FILE, CONTENT, max_size=8)
DRIVER = st.one_of(st.none(), st.sampled_from(["k10temp", "nvme"]), CONTENT)
CHIP = st.builds(
    Chip,
    driver=DRIVER,
    files=FILES,
    device=st.sampled_from([None, "pci0", "pci1"]),
    old_style=st.booleans(),
)
TROUBLE = st.lists(st.tuples(st.integers(0, 50), st.sampled_from(["remove", "folder", "loop", "long"])), max_size=4)


def spoil(path, how):
    """Replace a file by something else that a name in a folder can be."""
    path.unlink()
    if how == "folder":
        path.mkdir()
    elif how == "loop":
        path.symlink_to(path)
    elif how == "long":
        put(path, b"1" * 9000)


def trouble_in(root, trouble):
    files = sorted(path for path in root.rglob("*") if path.is_file() and not path.is_symlink())
    for number, how in trouble if files else ():
        if files[number % len(files)].is_file():
            spoil(files[number % len(files)], how)


@settings(max_examples=250, deadline=None, database=None)
@given(chips=st.lists(CHIP, max_size=3), before=TROUBLE, after=TROUBLE)
def test_every_channel_is_a_value_or_a_gap_whatever_the_tree_holds(chips, before, after):
    with tempfile.TemporaryDirectory() as folder:
        root = make_hwmon(Path(folder, "hwmon"), chips)
        trouble_in(root, before)
        source = HwmonSource(root)
        trouble_in(root, after)
        values, gaps = source.read()
    names = [channel.name for channel in source.channels()]
    assert len(set(names)) == len(names)
    assert all(name.isprintable() for name in names)
    assert sorted([*values, *gaps]) == sorted(names)
    assert all(math.isfinite(value) for value in values.values())
    assert all(gaps.values())
    assert all(c.critical is None or 40.0 < c.critical < 125.0 for c in source.channels())


@settings(max_examples=100, deadline=None, database=None)
@given(driver=st.text(max_size=12), label=st.text(max_size=12))
def test_no_invented_driver_or_label_becomes_a_processor_temperature(driver, label):
    with tempfile.TemporaryDirectory() as folder:
        files = {"temp1_input": 40000, "temp1_label": f"?{label}".encode("utf-8", "replace")}
        root = make_hwmon(Path(folder, "hwmon"), [Chip(driver=f"?{driver}".encode("utf-8", "replace"), files=files)])
        (channel,) = HwmonSource(root).channels()
    assert channel.role is not Role.CPU_TEMPERATURE


@settings(max_examples=100, deadline=None, database=None)
@given(raw=st.integers(-(10**9), 10**9))
def test_every_whole_number_comes_through_as_a_thousandth(raw):
    with tempfile.TemporaryDirectory() as folder:
        root = make_hwmon(Path(folder, "hwmon"), [Chip(driver="k10temp", files={"temp1_input": raw})])
        assert HwmonSource(root).read()[0] == {"hwmon/k10temp/temp1": pytest.approx(raw / 1000)}
