"""Firmware tables built byte by byte (DMTF DSP0134): what they say, and what is refused."""

from __future__ import annotations

import contextlib
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from snapshot_tree import (
    ARRAY,
    END,
    MODULES,
    SOCKET,
    entry_point_2,
    entry_point_3,
    firmware,
    memory_array,
    memory_device,
    processor_socket,
    structure,
    summed,
    write,
)

from soakd.model.snapshot_parts import MemoryModule, Socket
from soakd.sensors.attributes import Attributes
from soakd.sensors.memory import read_controllers, read_tables
from soakd.sensors.smbios import MOST_BYTES, structures

TABLE = b"".join([ARRAY, *MODULES, SOCKET, END])
ENTRY = entry_point_3(len(TABLE))
MODULE = MemoryModule(
    bank="P0 CHANNEL A",
    type="DDR5",
    size_mib=32768,
    speed_mt_s=4800,
    configured_speed_mt_s=6000,
    configured_voltage_v=1.35,
    ranks=2,
    manufacturer="Maker",
    part_number="PART-6000",
)


def kinds(entry_point, table):
    return [each.kind for each in structures(entry_point, table)]


def read(tmp_path, *parts):
    """Modules, error correction and sockets of a table of these structures, and what is absent."""
    attributes = Attributes(tmp_path / "proc", write(tmp_path / "sys", firmware(parts)))
    return *read_tables(attributes), attributes.absent


def modules(tmp_path, *devices):
    return read(tmp_path, ARRAY, *devices)[0]


def one(tmp_path, **changes):
    """The only module of a table that has no other."""
    (module,) = modules(tmp_path, memory_device(**changes)).values()
    return module


def test_both_kinds_of_entry_point_lead_through_the_table():
    count = 2 + len(MODULES) + 1
    assert kinds(ENTRY, TABLE) == [16, 17, 17, 17, 4, 127]
    assert kinds(entry_point_2(len(TABLE), count), TABLE) == [16, 17, 17, 17, 4, 127]


def test_an_end_mark_ends_a_table_of_version_3_and_only_the_count_one_of_version_2():
    """Kernels have seen structures after the mark in the latter (drivers/firmware/dmi_scan.c)."""
    late = structure(200, 1, b"")
    assert kinds(entry_point_3(len(TABLE + late)), TABLE + late)[-1] == 127
    assert kinds(entry_point_2(len(TABLE + late), 7), TABLE + late)[-1] == 200


def test_strings_are_numbered_from_one_and_zero_is_none():
    (first, _) = structures(entry_point_3(64), structure(1, 5, b"\x01\x02\x00\x03\x09", b"A ", b"B\x01") + END)
    assert [first.text(at) for at in range(4, 9)] == ["A", "B\ufffd", None, None, None]
    assert (first.handle, first.whole(4, 2), first.whole(8, 2)) == (5, 0x0201, None)


def test_a_structure_without_strings_ends_with_two_zeros():
    (first, end) = structures(entry_point_3(64), structure(1, 5, b"\x01") + END)
    assert (first.strings, first.text(4), end.kind) == (("",), None, 127)


# Columns: entry point, table, what the refusal says.
@pytest.mark.parametrize(
    ("entry", "table", "says"),
    [
        (b"", TABLE, "begins with b''"),
        (b"_DMI_" + bytes(10), TABLE, "begins with b'_DMI_'"),
        (ENTRY[:-1], TABLE, "is 23 bytes long and says 24"),
        (ENTRY[:6] + b"\x10" + ENTRY[7:], TABLE, "says 16"),
        (ENTRY[:-1] + b"\x01", TABLE, "checksum"),
        (entry_point_3(MOST_BYTES + 1), TABLE, "speaks of 1048577 bytes"),
        (summed(entry_point_2(len(TABLE), 6)[:0x10] + b"_XXX_" + bytes(10), at=4), TABLE, "intermediate part"),
        (entry_point_2(len(TABLE), 6)[:0x18] + b"\xff" * 7, TABLE, "checksum"),
        (entry_point_2(len(TABLE), 7), TABLE, "ends after 6 of 7 structures"),
        (ENTRY, TABLE[: -len(END)], "no end mark"),
        (entry_point_3(len(ARRAY)), TABLE, "no end mark"),
        (ENTRY, ARRAY + b"\x11\x03\x00\x00\x00\x00" + END, f"at byte {len(ARRAY)} is cut off or too short"),
        (ENTRY, ARRAY + struct.pack("<BBH", 17, 255, 1) + b"\x00\x00", f"at byte {len(ARRAY)} is cut off or too short"),
        (ENTRY, ARRAY + structure(17, 1, b"\x01", b"never ends")[:-2], "cut off or too short"),
    ],
)
def test_what_does_not_keep_to_the_standard_is_refused(entry, table, says):
    with pytest.raises(ValueError, match=says):
        list(structures(entry, table))


@settings(max_examples=300)
@given(st.binary(max_size=300), st.integers(0, len(TABLE)), st.integers(0, len(TABLE)))
def test_no_table_leads_beyond_its_end(noise, start, stop):
    """Noise, and noise put into a sound table."""
    for table in (noise, TABLE[:start] + noise + TABLE[stop:]):
        for entry in (entry_point_3(len(table)), entry_point_2(len(table), 9)):
            found = []
            with contextlib.suppress(ValueError):
                found.extend(structures(entry, table))
            assert sum(len(each.area) for each in found) <= len(table)


def test_populated_slots_of_the_system_s_memory_are_its_modules(tmp_path):
    found, correction, sockets, absent = read(tmp_path, ARRAY, *MODULES, SOCKET)
    assert found == {"DIMM_A1": MODULE, "DIMM_B1": MODULE.model_copy(update={"bank": "P0 CHANNEL B"})}
    assert correction == "none"
    assert sockets == {
        "AM5": Socket(
            version="Processor X",
            external_clock_mhz=100,
            maximum_speed_mhz=5850,
            current_speed_mhz=4500,
            voltage_v=1.1,
            cores=16,
            cores_enabled=16,
            threads=32,
        )
    }
    assert absent == {}


def test_a_memory_that_is_not_the_system_s_is_left_out(tmp_path):
    flash = memory_array(use=5, correction=6, handle=0x30)
    found, correction, _, _ = read(tmp_path, ARRAY, flash, memory_device(array=0x30, slot=b"FLASH"), MODULES[0])
    assert set(found) == {"DIMM_A1"}
    assert correction == "none"


# Columns: fields of the structure, field of the module, its value.
@pytest.mark.parametrize(
    ("raw", "field", "value"),
    [
        ({"size": 8192}, "size_mib", 8192),
        ({"size": 0x8000 | 4096}, "size_mib", 4),  # highest bit: KiB
        ({"size": 0xFFFF}, "size_mib", None),  # not known
        ({"size": 0x7FFF, "extended_size": 65536}, "size_mib", 65536),
        ({"speed": 0}, "speed_mt_s", None),
        ({"speed": 0xFFFF, "extended_speed": 70_000}, "speed_mt_s", 70_000),
        ({"configured": 0}, "configured_speed_mt_s", None),
        ({"configured": 0xFFFF, "extended_configured": 66_000}, "configured_speed_mt_s", 66_000),
        ({"configured": 0xFFFF}, "configured_speed_mt_s", None),
        ({"voltage": 0}, "configured_voltage_v", None),
        ({"voltage": 1100}, "configured_voltage_v", 1.1),
        ({"attributes": 0}, "ranks", None),
        ({"attributes": 0xF1}, "ranks", 1),  # the higher half is reserved
        ({"kind": 0x1A}, "type", "DDR4"),
        ({"kind": 0x02}, "type", None),  # "unknown"
        ({"length": 0x15}, "speed_mt_s", None),  # version 2.1 ends before the speed
        ({"length": 0x1B}, "part_number", "PART-6000"),  # version 2.3
        ({"length": 0x1B}, "ranks", None),
        ({"length": 0x22}, "configured_speed_mt_s", 6000),  # version 2.7
        ({"length": 0x22}, "configured_voltage_v", None),
        ({"length": 0x28, "configured": 0xFFFF, "extended_configured": 9}, "configured_speed_mt_s", None),  # 2.8
    ],
)
def test_special_values_and_older_structures_mean_what_the_standard_says(tmp_path, raw, field, value):
    assert getattr(one(tmp_path, **raw), field) == value


def test_slots_of_one_name_are_told_apart_by_their_banks_and_else_by_number(tmp_path):
    banks = [memory_device(handle=n, slot=b"DIMM 0", bank=bank) for n, bank in enumerate((b"A", b"B", b"B", b" "))]
    assert list(modules(tmp_path, *banks)) == ["A DIMM 0", "B DIMM 0", "B DIMM 0 (3)", "DIMM 0"]
    nameless = [memory_device(handle=n, slot=b" ", bank=b" ") for n in range(2)]
    assert list(modules(tmp_path, *nameless)) == ["slot (1)", "slot (2)"]


@pytest.mark.parametrize(
    ("raw", "field", "value"),
    [
        ({"voltage": 0x02}, "voltage_v", 3.3),  # the old way: bits for 5, 3.3 and 2.9 V
        ({"voltage": 0x00}, "voltage_v", None),
        ({"voltage": 0x80}, "voltage_v", None),
        ({"cores": 0xFF, "wide": 320}, "cores", 320),
        ({"cores": 0, "wide": 320}, "cores", None),
    ],
)
def test_a_socket_s_special_values_mean_what_the_standard_says(tmp_path, raw, field, value):
    _, _, sockets, _ = read(tmp_path, processor_socket(**raw))
    assert getattr(sockets["AM5"], field) == value


def test_what_the_tables_do_not_tell_is_absent(tmp_path):
    assert read(tmp_path, processor_socket(status=0)) == (
        {}, None, {},
        dict.fromkeys(
            ("memory_modules", "memory_error_correction", "sockets"), "not there: the firmware's tables do not tell"
        ),
    )  # fmt: skip


@pytest.mark.parametrize(("correction", "text"), [(5, "single-bit ECC"), (6, "multi-bit ECC"), (2, None)])
def test_error_correction_is_that_of_the_system_s_memory(tmp_path, correction, text):
    assert read(tmp_path, memory_array(correction=correction))[1] == text


def test_a_table_that_breaks_off_shows_nothing_rather_than_half(tmp_path):
    files = firmware([ARRAY, *MODULES])
    cut = {**files, "firmware/dmi/tables/DMI": files["firmware/dmi/tables/DMI"][:-20]}
    attributes = Attributes(tmp_path / "proc", write(tmp_path / "sys", cut))
    assert read_tables(attributes) == ({}, None, {})
    assert all(reason.startswith("malformed: ") for reason in attributes.absent.values())
    assert len(attributes.absent) == 3


def test_a_controller_is_known_by_its_driver_and_its_modules_by_their_correction(tmp_path):
    """Documentation/ABI/testing/sysfs-devices-edac; drivers that know rows call them rank."""
    mc = "devices/system/edac/mc"
    files = {
        f"{mc}/mc0/mc_name": "F19h_M60h", f"{mc}/mc0/rank0/dimm_edac_mode": "SECDED",
        f"{mc}/mc0/rank1/dimm_edac_mode": "None", f"{mc}/mc10/mc_name": "Other", f"{mc}/power/x": "",
    }  # fmt: skip
    attributes = Attributes(tmp_path / "proc", write(tmp_path / "sys", files))
    found = read_controllers(attributes)
    assert list(found) == ["mc0", "mc10"]
    assert (found["mc0"].driver, found["mc0"].error_correction) == ("F19h_M60h", "None, SECDED")
    assert attributes.absent == {"memory_controllers.error_correction": f"not there: {tmp_path}/sys/{mc}/mc10 has none"}
