"""Trees as the kernel writes them: units, names, limits (Documentation/hwmon/sysfs-interface.rst)."""

from __future__ import annotations

from pathlib import Path

import pytest
from bench_tree import Chip, make_hwmon

from soakd.model.channels import Role
from soakd.sensors.hwmon import HwmonSource


def source_of(root, *chips, numbers=None):
    return HwmonSource(make_hwmon(root / "hwmon", chips, numbers=numbers))


def names(source):
    return [channel.name for channel in source.channels()]


def one_input(root, files):
    """A source of one chip with one temperature, and the folder to spoil."""
    source = source_of(root, Chip(driver="k10temp", files={"temp1_input": 45000, **files}))
    return source, root / "hwmon" / "hwmon0"


# Columns: file, what the kernel writes, role, what we say. Units: the section "Sysfs entries" of the document above.
@pytest.mark.parametrize(
    ("file", "raw", "role", "value"),
    [
        ("temp1_input", "45250", Role.OTHER_TEMPERATURE, 45.25),  # millidegree Celsius
        ("temp1_input", "-5000", Role.OTHER_TEMPERATURE, -5.0),
        ("temp1_input", "0", Role.OTHER_TEMPERATURE, 0.0),
        ("in0_input", "1104", Role.VOLTAGE, 1.104),  # millivolt
        ("in1_input", "-12000", Role.VOLTAGE, -12.0),
        ("curr1_input", "95500", Role.CURRENT, 95.5),  # milliampere
        ("power1_input", "141250000", Role.POWER, 141.25),  # microwatt
        ("fan2_input", "1240", Role.FAN, 1240.0),  # revolutions per minute
        ("fan1_input", "0", Role.FAN, 0.0),
    ],
)
def test_every_kind_comes_in_the_unit_of_its_role(tmp_path, file, raw, role, value):
    source = source_of(tmp_path, Chip(driver="chip", files={file: raw}))
    (channel,) = source.channels()
    assert channel.role is role
    assert source.read() == ({channel.name: pytest.approx(value)}, {})


def test_a_flow_that_the_driver_shows_as_a_fan_comes_in_litres_an_hour_and_a_pressure_not_at_all(tmp_path):
    """aquacomputer_d5next.rst: `fan[1-9]_input`: "Pump/fan speed (in RPM) / Flow speed (in dL/h)"."""
    labels = ("Pump speed", "Flow speed [dL/h]", "Pressure [mbar]")
    files = {f"fan{n}_label": label for n, label in enumerate(labels, 1)} | {f"fan{n}_input": 1800 for n in (1, 2, 3)}
    source = source_of(tmp_path, Chip(driver="aquastreamult", files=files))
    assert source.read() == (
        {"hwmon/aquastreamult/Pump speed": 1800.0, "hwmon/aquastreamult/Flow speed [dL/h]": pytest.approx(180.0)},
        {},
    )
    assert [channel.role for channel in source.channels()] == [Role.PUMP, Role.COOLANT_FLOW]


def test_an_alarm_is_no_fault_and_leaves_the_reading_alone(tmp_path):
    """Drivers do not compare readings with thresholds: an alarm may be a leftover; the guard has limits of its own."""
    source, _ = one_input(tmp_path, {"temp1_alarm": 1, "temp1_crit_alarm": 1, "temp1_fault": 0})
    assert source.read() == ({"hwmon/k10temp/temp1": 45.0}, {})


def test_voltages_count_from_zero_and_inputs_come_in_the_order_of_their_numbers(tmp_path):
    files = {f"in{number}_input": 1000 + number for number in (10, 0, 2)}
    source = source_of(tmp_path, Chip(driver="chip", files=files))
    assert names(source) == ["hwmon/chip/in0", "hwmon/chip/in2", "hwmon/chip/in10"]
    assert list(source.read()[0].values()) == pytest.approx([1.0, 1.002, 1.01])


def test_a_power_sensor_that_only_has_an_average_is_read_by_its_average(tmp_path):
    files = {"power1_average": 90_000_000, "power2_input": 5_000_000, "power2_average": 4_000_000}
    source = source_of(tmp_path, Chip(driver="amdgpu", files=files))
    assert source.read() == ({"hwmon/amdgpu/power1": 90.0, "hwmon/amdgpu/power2": 5.0}, {})


def test_files_that_are_no_inputs_make_no_channels(tmp_path):
    files = {
        "temp1_max": 80000,
        "temp1_alarm": 0,
        "pwm1": 120,
        "energy1_input": 5,
        "humidity1_input": 5,
        "temp_input": 1,
    }
    assert names(source_of(tmp_path, Chip(driver="chip", files=files))) == []


def test_a_label_names_the_channel_and_a_missing_one_leaves_the_file_name(tmp_path):
    files = {"temp1_input": 1, "temp1_label": "Tctl", "temp2_input": 2, "temp3_input": 3, "temp3_label": " T\x01a\n b "}
    source = source_of(tmp_path, Chip(driver="k10temp", files=files))
    assert names(source) == ["hwmon/k10temp/Tctl", "hwmon/k10temp/temp2", "hwmon/k10temp/T a b"]


def test_two_chips_of_one_driver_keep_their_names_whatever_numbers_the_kernel_gives_them(tmp_path):
    drives = [
        Chip(driver="nvme", device=f"nvme{n}", files={"temp1_input": 30000 + n, "temp1_label": "Composite"})
        for n in (0, 1)
    ]
    plain = Chip(driver="k10temp", device="0000:00:18.3", files={"temp1_input": 45000})
    first = source_of(tmp_path / "a", *drives, plain, numbers=(0, 1, 2))
    later = source_of(tmp_path / "b", *drives, plain, numbers=(11, 2, 0))
    assert names(first) == [
        "hwmon/k10temp/temp1",
        "hwmon/nvme/Composite at nvme0/temp1",
        "hwmon/nvme/Composite at nvme1/temp1",
    ]
    assert first.channels() == later.channels()
    assert first.read() == later.read()


def test_one_label_twice_on_a_chip_makes_two_channels(tmp_path):
    files = {"temp1_input": 1000, "temp1_label": "CPU", "fan1_input": 900, "fan1_label": "CPU", "temp2_input": 2000}
    source = source_of(tmp_path, Chip(driver="board", device="isa.656", files=files | {"temp2_label": "CPU"}))
    assert source.read()[0] == {
        "hwmon/board/CPU at isa.656/fan1": 900.0,
        "hwmon/board/CPU at isa.656/temp1": 1.0,
        "hwmon/board/CPU at isa.656/temp2": 2.0,
    }


def test_chips_that_nothing_tells_apart_are_numbered(tmp_path):
    twin = Chip(driver="acpitz", files={"temp1_input": 1000})
    assert names(source_of(tmp_path, twin, twin)) == ["hwmon/acpitz/temp1 at temp1", "hwmon/acpitz/temp1 at temp1 #2"]


def test_a_chip_without_a_device_is_named_by_the_folder_behind_its_link_and_never_by_its_number(tmp_path):
    root = tmp_path / "class"
    root.mkdir()
    for number, zone in ((4, "thermal_zone0"), (1, "thermal_zone1")):
        chip = Chip(driver="acpitz", files={"temp1_input": 1000 * number})
        make_hwmon(tmp_path / "devices" / zone, [chip], numbers=[number])
        (root / f"hwmon{number}").symlink_to(tmp_path / "devices" / zone / f"hwmon{number}")
    assert HwmonSource(root).read()[0] == {
        "hwmon/acpitz/temp1 at thermal_zone0/temp1": 4.0,
        "hwmon/acpitz/temp1 at thermal_zone1/temp1": 1.0,
    }


def test_drivers_that_keep_their_files_in_the_device_folder_are_read_there(tmp_path):
    chips = [
        Chip(driver="w83627hf", device=f"isa.{n}", old_style=True, files={"temp1_input": n * 1000, "temp1_fault": 0})
        for n in (1, 2)
    ]
    assert source_of(tmp_path, *chips).read() == (
        {"hwmon/w83627hf/temp1 at isa.1/temp1": 1.0, "hwmon/w83627hf/temp1 at isa.2/temp1": 2.0},
        {},
    )


def test_a_chip_without_a_name_is_watched_all_the_same(tmp_path):
    (channel,) = source_of(tmp_path, Chip(driver=None, files={"temp1_input": 45000})).channels()
    assert (channel.name, channel.role) == ("hwmon/nameless/temp1", Role.OTHER_TEMPERATURE)


def test_folders_without_name_and_inputs_are_no_chips(tmp_path):
    assert names(source_of(tmp_path, Chip(driver=None, files={"uevent": ""}), Chip(driver="empty"))) == []


@pytest.mark.parametrize("spoil", [None, Path.mkdir, Path.touch])
def test_a_bench_without_the_class_has_no_channels(tmp_path, spoil):
    if spoil is not None:
        spoil(tmp_path / "hwmon")
    source = HwmonSource(tmp_path / "hwmon")
    assert (source.channels(), source.read()) == ([], ({}, {}))


# A critical value counts when a working sensor may state it, 40 to 125 °C; the maximum stands in, because it is lower.
@pytest.mark.parametrize(
    ("files", "critical"),
    [
        ({}, None),
        ({"temp1_crit": 95000}, 95.0),
        ({"temp1_crit": 0}, None),
        ({"temp1_crit": -273150}, None),
        ({"temp1_crit": 127000}, None),
        ({"temp1_crit": 125000}, None),
        ({"temp1_crit": 124999}, 124.999),
        ({"temp1_crit": 40000}, None),
        ({"temp1_crit": 65261850}, None),
        ({"temp1_max": 80000}, 80.0),
        ({"temp1_max": 80000, "temp1_crit": 100000}, 100.0),
        ({"temp1_max": 80000, "temp1_crit": 127000}, 80.0),
        ({"temp1_max": 127000, "temp1_crit": 0}, None),
        ({"temp1_max": 80000, "temp1_crit": "N/A"}, 80.0),
        ({"temp1_emergency": 105000, "temp1_lcrit": 50000, "temp1_crit_hyst": 90000}, None),
        ({"temp2_crit": 95000}, None),
    ],
)
def test_only_a_plausible_critical_value_is_believed(tmp_path, files, critical):
    (channel,) = one_input(tmp_path, files)[0].channels()
    assert channel.critical == (None if critical is None else pytest.approx(critical))


def test_only_temperatures_have_a_critical_value(tmp_path):
    files = {"in0_input": 1000, "in0_crit": 50000, "power1_input": 1, "power1_crit": 90000}
    source = source_of(tmp_path, Chip(driver="chip", files=files))
    assert [channel.critical for channel in source.channels()] == [None, None]
