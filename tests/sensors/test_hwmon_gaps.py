"""What the hwmon source says when an input is faulty, unreadable, no number or gone: a gap with its reason."""

from __future__ import annotations

import errno
import os
import shutil

import pytest
from bench_tree import DESKTOP, Chip, make_hwmon, put

from soakd.sensors import hwmon
from soakd.sensors.hwmon import HwmonSource


def names(source):
    return [channel.name for channel in source.channels()]


def one_input(root, files):
    """A source of one chip with one temperature, and the folder to spoil."""
    tree = make_hwmon(root / "hwmon", [Chip(driver="k10temp", files={"temp1_input": 45000, **files})])
    return HwmonSource(tree), tree / "hwmon0"


def gap_of(source):
    values, gaps = source.read()
    assert values == {}
    (reason,) = gaps.values()
    return reason


# `_fault`: 1 means that the measurement should not be trusted; a flag that cannot be read clears nobody.
@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        ("1", "the driver reports a fault of this sensor"),
        ("2", "the driver reports a fault of this sensor"),
        ("", "fault flag empty"),
        ("no", "fault flag not a number: 'no'"),
    ],
)
def test_a_faulty_sensor_is_a_gap(tmp_path, fault, reason):
    source, _ = one_input(tmp_path, {"temp1_fault": fault})
    assert gap_of(source) == reason


def test_a_fault_shows_from_the_moment_it_begins_until_it_ends(tmp_path):
    source, chip = one_input(tmp_path, {"temp1_fault": 0})
    assert source.read() == ({"hwmon/k10temp/temp1": 45.0}, {})
    put(chip / "temp1_fault", 1)
    assert gap_of(source) == "the driver reports a fault of this sensor"
    put(chip / "temp1_fault", 0)
    assert source.read() == ({"hwmon/k10temp/temp1": 45.0}, {})


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "empty"),
        (b"\n", "empty"),
        (b"N/A\n", "not a number: 'N/A'"),
        (b"45.5\n", "not a number: '45.5'"),
        (b"4_5\n", "not a number: '4_5'"),  # int() would take it
        ("٤٥".encode(), "not a number: '٤٥'"),  # int() would take these digits too
        (b"45000\n46000\n", "not a number: '45000\n46000'"),
        (b"nan\n", "not a number: 'nan'"),
        (b"9" * 5000, f"not a number: '{'9' * 20}'"),
        (b"\xff\xfe\x00", "not a number: '\ufffd\ufffd\x00'"),
    ],
)
def test_what_is_no_whole_number_is_a_gap(tmp_path, content, reason):
    source, chip = one_input(tmp_path, {})
    put(chip / "temp1_input", content)
    assert gap_of(source) == reason.replace("\n", "\\n").replace("\x00", "\\x00")


def test_a_number_that_no_sensor_shows_is_passed_on_for_the_guard_to_doubt(tmp_path):
    source, chip = one_input(tmp_path, {})
    put(chip / "temp1_input", 2**31 - 1)
    assert source.read()[0] == {"hwmon/k10temp/temp1": pytest.approx(2_147_483.647)}


def test_an_input_that_cannot_be_read_is_a_gap_with_the_systems_reason(tmp_path):
    source, chip = one_input(tmp_path, {})
    (chip / "temp1_input").unlink()
    (chip / "temp1_input").mkdir()
    assert gap_of(source) == "cannot be read: Is a directory"


def test_a_failing_read_is_a_gap_with_the_systems_reason(tmp_path):
    """Address 0 of any process is not mapped: reading it there is EIO for everybody (proc(5), `mem`)."""
    source, chip = one_input(tmp_path, {})
    (chip / "temp1_input").unlink()
    (chip / "temp1_input").symlink_to("/proc/self/mem")
    assert gap_of(source) == "cannot be read: Input/output error"


# What drivers return: ENODATA for a disabled channel (section "Sysfs entries"); ENODEV and ENXIO when the device went.
@pytest.mark.parametrize(
    ("number", "reason"),
    [
        (errno.ENODATA, "switched off in the chip (no data)"),
        (errno.ENODEV, "gone: it does not exist any more"),
        (errno.ENXIO, "gone: it does not exist any more"),
        (errno.EAGAIN, "cannot be read: Resource temporarily unavailable"),
        (errno.ETIMEDOUT, "cannot be read: Connection timed out"),
        (errno.EACCES, "cannot be read: Permission denied"),
    ],
)
def test_an_error_of_the_driver_is_said_in_words(tmp_path, monkeypatch, number, reason):
    source, _ = one_input(tmp_path, {})

    def failing(*_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(hwmon.os, "read", failing)
    assert gap_of(source) == reason


def test_one_bad_input_costs_no_other_one_its_value(tmp_path):
    source = HwmonSource(make_hwmon(tmp_path / "hwmon", DESKTOP))
    (tmp_path / "hwmon" / "hwmon1" / "fan1_input").unlink()
    values, gaps = source.read()
    assert gaps == {"hwmon/nct6799/fan1": "gone: it does not exist any more"}
    assert len(values) == len(source.channels()) - 1


def test_a_tree_that_is_removed_leaves_a_gap_on_every_channel(tmp_path):
    source = HwmonSource(make_hwmon(tmp_path / "hwmon", DESKTOP))
    before = names(source)
    shutil.rmtree(tmp_path / "hwmon")
    values, gaps = source.read()
    assert values == {}
    assert gaps == dict.fromkeys(before, "gone: it does not exist any more")
    assert names(source) == before


def test_a_sensor_that_comes_back_is_read_again_and_one_that_comes_anew_is_no_channel(tmp_path):
    source, chip = one_input(tmp_path, {})
    (chip / "temp1_input").unlink()
    assert gap_of(source) == "gone: it does not exist any more"
    put(chip / "temp1_input", 50000)
    put(chip / "temp2_input", 60000)
    assert source.read() == ({"hwmon/k10temp/temp1": 50.0}, {})


def test_a_file_that_this_user_may_not_read_is_a_gap(as_ordinary_user):
    folder, rights = as_ordinary_user
    source = HwmonSource(make_hwmon(folder / "hwmon", DESKTOP))
    (folder / "hwmon" / "hwmon0" / "temp1_input").chmod(0)
    with rights():
        values, gaps = source.read()
    assert gaps == {"hwmon/k10temp/Tctl": "cannot be read: Permission denied"}
    assert len(values) == len(source.channels()) - 1


def test_a_folder_that_this_user_may_not_enter_has_no_channels(as_ordinary_user):
    folder, rights = as_ordinary_user
    everything = names(HwmonSource(make_hwmon(folder / "hwmon", DESKTOP)))
    (folder / "hwmon" / "hwmon0").chmod(0)
    with rights():
        found = names(HwmonSource(folder / "hwmon"))
    (folder / "hwmon" / "hwmon0").chmod(0o755)
    assert found == [name for name in everything if "k10temp" not in name]
    assert len(found) < len(everything)
