"""What the system or a hook says is held against the sheet, whatever the spelling."""

import pytest
from run_parts import snapshot
from sheets import sheet_of

from soakd.model.snapshot_parts import MemoryModule, PowerLimit, PowerZone
from soakd.rules.declared import contradictions, differing, unconfirmed

SHEET = sheet_of(
    {
        "version": 1,
        "name": "T",
        "clocks": {
            "reference": "100 MHz",
            "limits": [{"active-cores": 4, "ratio": 49}],
            "steps-down": [{"at": "88 °C", "by": 2, "active-cores": 4}],
        },
        "memory": {"profile-loaded": True, "timings": {"CL": "30 cycles"}},
        "values": {"core voltage offset": "-30 mV", "boost: on": True},
    }
)


@pytest.mark.parametrize(
    "stated",
    [
        {"clocks: reference": "0.1 GHz"},
        {"clocks, reference": "100 MHz"},
        {"Clocks,  Reference": "100 MHz"},
        {"clocks, limits, up to 4 active cores: ratio": 49},
        {"clocks, limits, up to 4 active cores, ratio": 49.0},
        {"clocks, steps-down, from 88 °C with 4 active cores or more: by": 2},
        {"memory: profile-loaded": "yes"},
        {"memory, timings: CL": "30 tCK"},
        {"Core voltage offset": "-0.03 V", "values: boost: on": True},
        {"something that the sheet does not declare": 3},
    ],
)
def test_the_same_in_another_spelling_is_no_difference(stated):
    assert differing(SHEET, stated, "confirmed") == []


@pytest.mark.parametrize(
    ("stated", "line"),
    [
        ({"clocks, reference": "100.2 MHz"}, "clocks, reference: declared 100 MHz, confirmed 100.2 MHz"),
        (
            {"clocks, limits, up to 4 active cores: ratio": 48},
            "clocks, limits, up to 4 active cores: ratio: declared 49, confirmed 48",
        ),
        ({"memory: profile-loaded": False}, "memory: profile-loaded: declared yes, confirmed no"),
        ({"core voltage offset": "-40 mV"}, "core voltage offset: declared -0.03 V, confirmed -40 mV"),
        ({"memory: profile-loaded": None}, "memory: profile-loaded: declared yes, confirmed None"),
    ],
)
def test_another_value_is_a_difference(stated, line):
    assert differing(SHEET, stated, "confirmed") == [line]


VALUES = {"core voltage offset": "-30 mV", "boost: on": True}


@pytest.mark.parametrize(
    ("sheet", "stated", "missing"),
    [
        (SHEET, {}, ["boost: on", "core voltage offset"]),
        (SHEET, {"clocks: reference": "100 MHz"}, ["boost: on", "core voltage offset"]),
        (SHEET, {"values: Boost: on": 1, **VALUES}, []),
        (SHEET.model_copy(update={"values": {}}), {}, ["any setting of the sheet"]),
        (SHEET.model_copy(update={"values": {}}), {"board": "as ever"}, ["any setting of the sheet"]),
        (SHEET.model_copy(update={"values": {}}), {"clocks: reference": "1 MHz"}, []),
    ],
)
def test_a_hook_speaks_of_every_value_and_of_one_setting_at_least(sheet, stated, missing):
    assert unconfirmed(sheet, stated) == missing


ZONES = {"intel-rapl:0 package-0": PowerZone(limits={"long_term": PowerLimit(limit_w=125.0, window_s=27.983872)})}


def declaring(**parts):
    return sheet_of({"version": 1, "name": "T", **parts})


@pytest.mark.parametrize(
    ("parts", "changes"),
    [
        ({"processor": {"model": "processor"}}, {}),
        ({"processor": {"model": "PROCESSOR  A"}}, {}),
        ({"processor": {"model": "Another"}}, {"processor": None}),
        ({"processor": {"threads": 2}}, {}),
        ({"processor": {"threads": 4, "cores-on": [0]}}, {}),
        ({"values": {"maximum clock": "4.7 GHz", "Governor": "performance", "board": "A board"}}, {}),
        ({"memory": {"data-rate": "6000 MT/s"}}, {}),
        ({"limits": {"sustained-power": "150 W", "short-power": "190 W"}}, {}),
        ({"limits": {"sustained-power": "125.1 W"}}, {"power_zones": ZONES}),
        ({"limits": {"current": "100 A"}}, {"power_zones": ZONES}),
        ({"limits": {"short-time": "28 s"}}, {"power_zones": ZONES}),
        # kept as the next lower of its steps
        ({"limits": {"short-time": "32 s"}}, {"power_zones": ZONES}),
        ({"memory": {"data-rate": "6000 MT/s"}}, {"memory_modules": {"A": MemoryModule(configured_speed_mt_s=5929)}}),
    ],
)
def test_what_the_system_shows_alike_or_not_at_all_is_not_contradicted(parts, changes):
    assert contradictions(declaring(**parts), snapshot(**changes)) == {}


@pytest.mark.parametrize(
    ("parts", "changes", "place", "line"),
    [
        (
            {"processor": {"model": "Another processor"}}, {}, "processor: model",
            "declared Another processor, the system shows A processor",
        ),
        ({"processor": {"threads": 4}}, {}, "processor: threads", "declared 4, the system shows 2"),
        (
            {"values": {"maximum clock": "5 GHz"}}, {}, "values: maximum clock",
            "declared 5000 MHz, the system shows 4700 MHz",
        ),
        ({"values": {"Board": "B board"}}, {}, "values: board", "declared B board, the system shows A board"),
        (
            {"limits": {"sustained-power": "150 W"}}, {"power_zones": ZONES}, "limits: sustained-power",
            "declared 150 W, the system shows 125 W",
        ),
        (
            {"limits": {"short-time": "56 s"}}, {"power_zones": ZONES}, "limits: short-time",
            "declared 56 s, the system shows 28 s",
        ),
        (
            {"memory": {"data-rate": "6000 MT/s"}}, {"memory_modules": {"A": MemoryModule(configured_speed_mt_s=5600)}},
            "memory: data-rate", "declared 6000 MT/s, the system shows 5600 MT/s",
        ),
    ],
)  # fmt: skip
def test_what_the_system_shows_otherwise_is_named(parts, changes, place, line):
    assert contradictions(declaring(**parts), snapshot(**changes)) == {place: line}
