"""Driver and label to role. Names as in the kernel's Documentation/hwmon and its drivers."""

from __future__ import annotations

import pytest

from soakd.model.channels import Role
from soakd.sensors.roles import plausible_critical, role_of, scale_of, why


@pytest.mark.parametrize(
    ("driver", "label", "role"),
    [
        # processor drivers, whatever they call an input (coretemp.rst, k10temp.rst, x86_pkg_temperature_thermal.rst)
        ("coretemp", "Package id 0", Role.CPU_TEMPERATURE),
        ("coretemp", "Core 12", Role.CPU_TEMPERATURE),
        ("k10temp", "Tctl", Role.CPU_TEMPERATURE),
        ("k10temp", "Tccd2", Role.CPU_TEMPERATURE),
        ("k10temp", "", Role.CPU_TEMPERATURE),
        ("x86_pkg_temp", "", Role.CPU_TEMPERATURE),
        ("cpu_thermal", "", Role.CPU_TEMPERATURE),
        ("cpu-thermal", "", Role.CPU_TEMPERATURE),
        ("cpu0-thermal", "", Role.CPU_TEMPERATURE),
        ("soc_thermal", "", Role.CPU_TEMPERATURE),
        # labels of other drivers for the processor itself (dell-smm-hwmon.rst, asus_ec_sensors.rst)
        ("dell_smm", "CPU", Role.CPU_TEMPERATURE),
        ("asusec", "CPU Package", Role.CPU_TEMPERATURE),
        ("asus_wmi_sensors", "CPU Temperature", Role.CPU_TEMPERATURE),
        # near the processor, and not its own sensor
        ("asus_wmi_sensors", "CPU VRM Temperature", Role.BOARD_TEMPERATURE),
        ("asus_wmi_sensors", "CPU Socket Temperature", Role.BOARD_TEMPERATURE),
        ("nct6798", "CPUTIN", Role.BOARD_TEMPERATURE),
        ("nct6798", "SYSTIN", Role.BOARD_TEMPERATURE),
        ("nct6798", "AUXTIN0", Role.OTHER_TEMPERATURE),
        ("nct6798", "PECI Agent 0", Role.OTHER_TEMPERATURE),
        ("nct6798", "PCH_CHIP_CPU_MAX_TEMP", Role.BOARD_TEMPERATURE),
        ("asusec", "Motherboard", Role.BOARD_TEMPERATURE),
        ("asusec", "VRM", Role.BOARD_TEMPERATURE),
        ("asusec", "Chipset", Role.BOARD_TEMPERATURE),
        ("pch_cannonlake", "", Role.BOARD_TEMPERATURE),
        # coolant, as asus_ec_sensors.rst, nzxt-kraken2.rst and aquacomputer_d5next.rst have it
        ("asusec", "Water_In", Role.COOLANT_TEMPERATURE),
        ("kraken2", "Coolant temp", Role.COOLANT_TEMPERATURE),
        ("d5next", "Coolant temp", Role.COOLANT_TEMPERATURE),
        # the room's air and a laptop's modules (dell-smm-hwmon.rst, "Get sensor type")
        ("dell_smm", "Ambient", Role.AMBIENT_TEMPERATURE),
        ("dell_smm", "SODIMM", Role.MEMORY_TEMPERATURE),
        ("anything", "not ambient", Role.OTHER_TEMPERATURE),
        # memory modules and drives (jc42.rst, spd5118.rst, nvme, drivetemp.rst)
        ("jc42", "", Role.MEMORY_TEMPERATURE),
        ("spd5118", "", Role.MEMORY_TEMPERATURE),
        ("nvme", "Composite", Role.DRIVE_TEMPERATURE),
        ("drivetemp", "", Role.DRIVE_TEMPERATURE),
        # nobody's business here, or unknown
        ("amdgpu", "mem", Role.OTHER_TEMPERATURE),
        ("amdgpu", "junction", Role.OTHER_TEMPERATURE),
        ("acpitz", "", Role.OTHER_TEMPERATURE),
        ("iwlwifi_1", "", Role.OTHER_TEMPERATURE),
        ("scpi_sensors", "pmic", Role.OTHER_TEMPERATURE),
        ("peci_cputemp", "Die", Role.OTHER_TEMPERATURE),
        ("coretempo", "", Role.OTHER_TEMPERATURE),
        ("mycoretemp", "", Role.OTHER_TEMPERATURE),
        ("gpu_thermal", "", Role.OTHER_TEMPERATURE),
        ("", "", Role.OTHER_TEMPERATURE),
        ("anything", "not CPU", Role.OTHER_TEMPERATURE),
        ("anything", "CPU fan header", Role.OTHER_TEMPERATURE),
        ("anything", "Core 0", Role.OTHER_TEMPERATURE),
    ],
)
def test_a_temperature_has_the_role_that_its_driver_or_label_proves(driver, label, role):
    assert role_of("temp", driver, label) is role


@pytest.mark.parametrize(
    ("kind", "role"),
    [("fan", Role.FAN), ("in", Role.VOLTAGE), ("curr", Role.CURRENT), ("power", Role.POWER)],
)
@pytest.mark.parametrize(("driver", "label"), [("k10temp", "CPU"), ("coretemp", "Tctl"), ("nvme", "Water_In")])
def test_what_a_temperature_would_be_by_its_name_means_nothing_for_other_kinds(kind, role, driver, label):
    assert role_of(kind, driver, label) is role


# Labels of the drivers of nzxt-kraken3.rst, asus_rog_ryujin.rst, asus_wmi_sensors.rst and aquacomputer_d5next.rst.
@pytest.mark.parametrize(
    ("label", "role", "scale"),
    [
        ("Pump speed", Role.PUMP, 1.0),
        ("AIO Pump", Role.PUMP, 1.0),
        ("Water Pump", Role.PUMP, 1.0),
        ("Fan speed", Role.FAN, 1.0),
        ("CPU_Opt", Role.FAN, 1.0),
        ("Water_Flow", Role.FAN, 1.0),  # a meter in rpm
        ("", Role.FAN, 1.0),
        ("Flow speed [dL/h]", Role.COOLANT_FLOW, 0.1),  # to L/h
        ("Flow [dL/h]", Role.COOLANT_FLOW, 0.1),
        ("Pressure [mbar]", Role.FAN, None),  # no rotation at all: no channel
        ("Water quality [%]", Role.FAN, None),
    ],
)
def test_pumps_and_flows_that_the_kernel_shows_as_fans_are_told_by_their_labels(label, role, scale):
    assert scale_of("fan", label) == scale
    if scale is not None:
        assert role_of("fan", "anything", label) is role


def test_the_driver_of_a_processor_s_own_power_proves_what_it_measures():
    """fam15h_power.rst: "the current amount of power being consumed by the processor"."""
    assert role_of("power", "fam15h_power", "") is Role.PACKAGE_POWER
    assert role_of("power", "amdgpu", "PPT") is Role.POWER


@pytest.mark.parametrize(
    ("stated", "believed"),
    [
        (None, None),
        (-273.15, None),
        (0.0, None),
        (40.0, None),
        (40.1, 40.1),
        (95.0, 95.0),
        (124.9, 124.9),
        (125.0, None),
        (127.0, None),
        (float("nan"), None),
        (float("inf"), None),
    ],
)
def test_a_critical_value_outside_40_to_125_degrees_is_nobodys(stated, believed):
    assert plausible_critical(stated) == believed


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("hwmon/k10temp/Tctl", "its driver is k10temp"),
        ("hwmon/coretemp/Core 0 at coretemp.0/temp2", "its driver is coretemp"),
        ("psutil/coretemp/Core 0, highest of 2", "its driver is coretemp"),
        ("hwmon/dell_smm/CPU", "its label is CPU"),
        ("hwmon/asusec/Water_In #2", "its label is Water_In"),
        ("hwmon/nct6798/AUXTIN0", "neither its driver, nct6798, nor its label, AUXTIN0, says what it measures"),
    ],
)
def test_a_temperature_s_role_is_explained_by_what_decided_it(name, said):
    driver, label = name.split("/")[1:3]
    assert why(name, role_of("temp", driver, label.partition(" at ")[0].partition(" #")[0].partition(",")[0])) == said


@pytest.mark.parametrize(
    ("name", "role", "said"),
    [
        ("hwmon/kraken2/Pump", Role.PUMP, "its label is Pump"),
        ("hwmon/nct6798/fan7", Role.FAN, "taken to be a fan"),
        ("hwmon/nct6798/in0", Role.VOLTAGE, "what quantity it is"),
        ("hwmon/fam15h_power/power1", Role.PACKAGE_POWER, "its driver is fam15h_power"),
        ("plugin/loop/flow", Role.COOLANT_FLOW, "its plugin says so"),
        ("kernel log/machine checks", Role.MACHINE_CHECKS, "what the kernel counts"),
        ("psutil/load 0", Role.CORE_LOAD, "what the kernel counts"),
        ("edac/mc0 corrected", Role.CORRECTED_MEMORY_ERRORS, "what the kernel counts"),
    ],
)
def test_every_other_role_is_explained_too(name, role, said):
    assert said in why(name, role)
