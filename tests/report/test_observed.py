"""What the system shows of the settings is told in the report, and what it does not show is named with the reason."""

from __future__ import annotations

import io

from rich.console import Console
from run_parts import record, snapshot, verdict

from soakd.model.snapshot_parts import MemoryModule, PowerLimit, PowerZone, Topology
from soakd.report.observed import observed_rows
from soakd.report.text import verdict_text

MODULE = MemoryModule(
    type="DDR5", size_mib=16384, manufacturer="Quay", part_number="Q16", configured_speed_mt_s=5600,
    configured_voltage_v=1.25,
)  # fmt: skip
ZONE = PowerZone(
    limits={"long_term": PowerLimit(limit_w=125.0, window_s=28.0), "short_term": PowerLimit(limit_w=160.0)}
)
ABSENT = {
    "boost": "not there: x", "topology.core_type": "not there: /sys/t", "topology.nominal_clock_mhz": "not there: x",
    "sockets": "not permitted: /sys/firmware/dmi/tables/DMI", "governor": "no such file",
}  # fmt: skip


def rows(**changes):
    return dict(observed_rows(snapshot(**changes)))


def test_modules_that_are_alike_are_counted_with_rate_and_voltage():
    slower = MODULE.model_copy(update={"configured_speed_mt_s": 4800, "configured_voltage_v": None})
    fitted = {"A1": MODULE, "A2": slower, "B1": MODULE, "B2": MemoryModule()}
    assert rows(memory_modules=fitted)["modules"] == (
        "1 × 16 GiB DDR5 Quay Q16 at 4800 MT/s, 2 × 16 GiB DDR5 Quay Q16 at 5600 MT/s and 1.25 V, "
        "1 × a module that the tables do not describe"
    )
    assert rows()["modules"] == "not shown by this system"


def test_board_and_firmware_with_its_date_stand_in_lines_of_their_own():
    shown = rows(firmware_vendor="Quay", firmware_date="03/01/2025")
    assert (shown["board"], shown["firmware"]) == ("A board", "Quay 1.20 03/01/2025")
    assert rows(board_name=None)["board"] == "not shown by this system"


def test_power_limits_of_a_zone_that_is_off_are_none():
    assert rows(power_zones={"package-0": ZONE})["power limits"] == (
        "package-0: long term 125 W over 28 s, short term 160 W"
    )
    assert "power limits" not in rows(power_zones={"package-0": ZONE.model_copy(update={"enabled": False})})


def test_what_could_not_be_read_is_named_by_the_kind_of_reason():
    shown = rows(absent=ABSENT)
    assert shown["not there"] == "boost; topology (core type, nominal clock)"
    assert shown["not permitted"] == "sockets"
    assert shown["not shown"] == "governor"
    assert not {"not there", "not permitted", "not shown"} & rows(absent={}).keys()


def test_physical_cores_are_told_where_the_system_shows_them():
    assert rows(topology=Topology(siblings=("0", "1")))["cores"] == "2 logical on 2 cores, allowed 0-1"
    assert rows()["cores"] == "2 logical, allowed 0-1"


def test_the_report_shows_all_of_it_at_80_columns():
    out = io.StringIO()
    Console(file=out, width=80, highlight=False).print(
        verdict_text(verdict(record(snapshot=snapshot(memory_modules={"A1": MODULE}, absent=ABSENT))))
    )
    text = out.getvalue()
    bench = text[text.index("Bench\n") : text.index("Declared\n")]
    assert "  modules        1 × 16 GiB DDR5 Quay Q16 at 5600 MT/s and 1.25 V" in bench
    assert "  not permitted  sockets" in bench
    assert max(map(len, text.splitlines())) <= 80
