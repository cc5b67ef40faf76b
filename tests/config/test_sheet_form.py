"""The drafted sheet is a whole form: every key is in it, and what the bench shows is declared already."""

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sheets import keys, whole_form, written

from soakd.config.files import load_sheet
from soakd.config.sheet_form import filled, form, shown_by
from soakd.model.channels import Channel, Role
from soakd.model.sheet import Sheet
from soakd.model.snapshot import Snapshot
from soakd.rules.sheet_check import check
from soakd.rules.sheet_fields import fields


def loaded(text, folder):
    path = folder / "draft.toml"
    path.write_text(text, encoding="utf-8")
    return load_sheet(path)


def test_the_form_offers_every_key_and_with_all_of_them_it_is_a_sound_sheet(tmp_path):
    sheet = loaded(whole_form(), tmp_path)
    offered = set(written(sheet.model_dump(mode="json", exclude_unset=True)))
    assert offered == set(keys(Sheet))
    assert check(sheet) == []


def test_nothing_is_declared_in_the_empty_form(tmp_path):
    sheet = loaded(filled({}), tmp_path)
    assert fields(sheet) == {"name": "Trial 1"}
    assert filled({}) == form()


def snapshot(**shown):
    told = {
        "machine": "x86_64", "logical_cores": 4, "cores_allowed": "0-3", "memory_total_mib": 1, "swap_total_mib": 0,
        "kernel": "6", "boot_id": "b", **shown,
    }  # fmt: skip
    return Snapshot.model_validate(told, strict=False)


MODULE = {
    "size_mib": 16384,
    "type": "DDR5",
    "manufacturer": "Quay",
    "part_number": "Q16",
    "configured_speed_mt_s": 5600,
}
POWER = {"long_term": {"limit_w": 125.0}, "short_term": {"limit_w": 253.0}}
WINDOWED = {"long_term": {"limit_w": 125.0, "window_s": 27.983872}, "short_term": {"limit_w": 253.0, "window_s": 0.002}}
LOWER = {"long_term": {"limit_w": 90.0}}
CPU = Channel(name="hwmon/cpu/Package", role=Role.CPU_TEMPERATURE, critical=100.0)
LOOP = Channel(name="hwmon/loop/Coolant", role=Role.COOLANT_TEMPERATURE)


@pytest.mark.parametrize(
    ("told", "channels", "declared"),
    [
        ({}, [], {"processor: threads": 4}),
        ({"processor": "Harbour Six"}, [], {"processor: model": "Harbour Six", "processor: threads": 4}),
        ({"topology": {"siblings": ["0,2", "1,3"]}}, [], {"processor: cores": 2, "processor: threads": 4}),
        (
            {"memory_modules": {"A1": MODULE, "B1": MODULE}}, [],
            {
                "processor: threads": 4, "memory: modules": "2 × 16 GiB DDR5 Quay Q16",
                "memory: data-rate": "5600 MT/s",
            },
        ),
        # two rates are no rate
        (
            {"memory_modules": {"A1": MODULE, "B1": {**MODULE, "configured_speed_mt_s": 4800}}}, [],
            {"processor: threads": 4, "memory: modules": "2 × 16 GiB DDR5 Quay Q16"},
        ),
        # an unnamed module is not described
        ({"memory_modules": {"A1": {}, "B1": MODULE}}, [], {"processor: threads": 4}),
        (
            {"power_zones": {"intel-rapl:0 package-0": {"limits": POWER}}}, [],
            {"processor: threads": 4, "limits: sustained-power": "125 W", "limits: short-power": "253 W"},
        ),
        # the window of the sustained limit is how long the short one may be used
        (
            {"power_zones": {"intel-rapl:0 package-0": {"limits": WINDOWED}}}, [],
            {
                "processor: threads": 4, "limits: sustained-power": "125 W", "limits: short-power": "253 W",
                "limits: short-time": "28 s",
            },
        ),
        # of a short limit that is not shown there is no time
        (
            {"power_zones": {"intel-rapl:0 package-0": {"limits": {"long_term": WINDOWED["long_term"]}}}}, [],
            {"processor: threads": 4, "limits: sustained-power": "125 W"},
        ),
        # which of two holds would be a guess, and a limit that is off is none
        (
            {"power_zones": {"0 package-0": {"limits": POWER}, "1 package-0": {"limits": LOWER}}},
            [], {"processor: threads": 4, "limits: short-power": "253 W"},
        ),
        ({"power_zones": {"0 package-0": {"enabled": False, "limits": POWER}}}, [], {"processor: threads": 4}),
        ({"power_zones": {"0 dram": {"limits": POWER}}}, [], {"processor: threads": 4}),
        ({}, [CPU], {"processor: threads": 4, "makers-limits: temperature": "100 °C"}),
        # a placeholder of a driver
        ({}, [Channel(name="x", role=Role.CPU_TEMPERATURE, critical=127.0)], {"processor: threads": 4}),
        ({}, [LOOP], {"processor: threads": 4, "cooling: coolant-channel": "hwmon/loop/Coolant"}),
        # which of two would be a guess
        ({}, [LOOP, Channel(name="hwmon/loop/In", role=Role.COOLANT_TEMPERATURE)], {"processor: threads": 4}),
    ],
)  # fmt: skip
def test_what_the_bench_shows_is_declared_and_nothing_else(told, channels, declared, tmp_path):
    seen = snapshot(**told)
    shown = shown_by(seen, channels)
    assert shown == declared
    sheet = loaded(filled(shown), tmp_path)
    assert fields(sheet) == {"name": "Trial 1", **declared}
    assert check(sheet, seen, channels={channel.name for channel in channels}) == []


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("drafts")


@given(st.text(min_size=1, max_size=400), st.sampled_from(string.ascii_letters))
def test_whatever_a_processor_calls_itself_stands_in_the_file(folder, name, letter):
    sheet = loaded(filled({"processor: model": letter + name}), folder)
    assert (
        sheet.processor.model == ("".join(each for each in letter + name if each.isprintable())).strip()[:400].strip()
    )
