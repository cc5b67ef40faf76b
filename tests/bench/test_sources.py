"""Both sources on one virtual tree, read for real: they agree, and what vanishes is a gap in both."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest
from bench_tree import DESKTOP, Chip, bench_python, make_hwmon, need_namespaces, on_bench, put

LOOK = """
import json, sys, time
from soakd.clock import FakeClock
from soakd.sensors.hwmon import HwmonSource
from soakd.sensors.system import SystemSource

clock = FakeClock()
sources = [HwmonSource(), SystemSource(clock, beside_hwmon=sys.argv[1] == "beside")]
for line in sys.stdin:
    clock.advance(1.0)  # what psutil showed is old enough to ask again
    time.sleep(0.1)  # the kernel counts some time
    looks = [source.read() for source in sources]
    roles = {channel.name: channel.role for source in sources for channel in source.channels()}
    values, gaps = (looks[0][part] | looks[1][part] for part in (0, 1))
    print(json.dumps({"values": values, "gaps": gaps, "roles": roles}), flush=True)
"""
TCTL = ("hwmon/k10temp/Tctl", "psutil/k10temp/Tctl")


class Looker:
    """A program on the bench that looks at both sources when told to; each time a second has passed for them."""

    def __init__(self, program):
        self._program = program

    def look(self):
        self._program.stdin.write("look\n")
        self._program.stdin.flush()
        line = self._program.stdout.readline()
        assert line, self._program.stderr.read()
        return json.loads(line)


@pytest.fixture
def looker(tree):
    with on_bench(tree, [sys.executable, "-c", LOOK, "beside"], stdin=subprocess.PIPE) as program:
        yield Looker(program)


def test_both_sources_see_the_same_temperatures_and_their_changes(looker, tree):
    first = looker.look()
    assert [first["values"][name] for name in TCTL] == [45.0, 45.0]
    assert [first["roles"][name] for name in TCTL] == ["cpu-temperature"] * 2
    assert first["values"]["psutil/nct6799/fan, lowest of 2"] == 910.0
    put(tree / "hwmon0" / "temp1_input", 91500)
    put(tree / "hwmon1" / "fan2_input", 0)
    then = looker.look()
    assert [then["values"][name] for name in TCTL] == [91.5, 91.5]
    assert then["values"]["hwmon/nct6799/fan2"] == then["values"]["psutil/nct6799/fan, lowest of 2"] == 0.0
    shares = [then["values"][name] for name, role in then["roles"].items() if role in {"core-load", "stolen-time"}]
    assert shares
    assert all(0.0 <= share <= 100.0 for share in shares)


def test_a_sensor_that_vanishes_is_a_gap_in_both_and_a_value_again_when_it_returns(looker, tree):
    assert not set(TCTL) & set(looker.look()["gaps"])
    (tree / "hwmon0" / "temp1_input").unlink()
    gone = looker.look()
    assert not set(TCTL) & set(gone["values"])
    assert gone["gaps"][TCTL[0]] == "gone: it does not exist any more"
    assert gone["gaps"][TCTL[1]] == "psutil does not show it any more"
    assert gone["values"]["hwmon/k10temp/Tccd1"] == gone["values"]["psutil/k10temp/Tccd1"] == 43.25
    put(tree / "hwmon0" / "temp1_input", 50000)
    back = looker.look()
    assert [back["values"][name] for name in TCTL] == [50.0, 50.0]


def test_only_the_kernels_own_files_show_that_a_sensor_is_faulty(tmp_path):
    need_namespaces()
    chip = Chip(driver="k10temp", files={"temp1_input": 45000, "temp1_label": "Tctl", "temp1_fault": 1})
    tree = make_hwmon(tmp_path / "hwmon", [chip])
    with on_bench(tree, [sys.executable, "-c", LOOK, "beside"], stdin=subprocess.PIPE) as program:
        look = Looker(program).look()
    assert look["gaps"][TCTL[0]] == "the driver reports a fault of this sensor"
    assert look["values"][TCTL[1]] == 45.0
    with on_bench(tree, [sys.executable, "-c", LOOK, "alone"], stdin=subprocess.PIPE) as program:
        assert TCTL[1] not in Looker(program).look()["roles"]


def test_garbage_in_one_input_silences_psutils_fans_and_none_of_the_kernel_sources_others(looker, tree):
    """psutil gives up on all fans where one is no number; the temperature beside them goes on in both."""
    looker.look()
    put(tree / "hwmon1" / "fan1_input", "soon")
    look = looker.look()
    assert look["gaps"]["hwmon/nct6799/fan1"] == "not a number: 'soon'"
    assert look["values"]["hwmon/nct6799/fan2"] == 1240.0
    assert look["gaps"]["psutil/nct6799/fan, lowest of 2"].startswith("psutil failed: ValueError")
    assert [look["values"][name] for name in TCTL] == [45.0, 45.0]


def test_a_bench_without_a_folder_for_power_supplies_has_its_other_channels(tree):
    """psutil raises there; a virtual tree has no /sys/class/power_supply."""
    code = "from soakd.clock import SystemClock as C; from soakd.sensors.system import SystemSource as S\n"
    names = bench_python(tree, code + "print([c.name for c in S(C()).channels()])")
    assert "psutil/memory available" in names
    assert "battery" not in names


def test_unlabelled_twins_keep_apart_in_one_source_and_stay_one_in_the_other(tmp_path):
    need_namespaces()
    drives = [Chip(driver="nvme", device=f"nvme{n}", files={"temp1_input": 30000 + n * 1000}) for n in (0, 1)]
    tree = make_hwmon(tmp_path / "hwmon", [*DESKTOP[:2], *drives])
    with on_bench(tree, [sys.executable, "-c", LOOK, "beside"], stdin=subprocess.PIPE) as program:
        looker = Looker(program)
        values = looker.look()["values"]
        (tree / "hwmon3" / "temp1_input").unlink()
        later = looker.look()
    assert values["psutil/nvme/temp, highest of 2"] == 31.0
    assert [values[f"hwmon/nvme/temp1 at nvme{n}/temp1"] for n in (0, 1)] == [30.0, 31.0]
    assert later["gaps"].keys() >= {"psutil/nvme/temp, highest of 2", "hwmon/nvme/temp1 at nvme1/temp1"}
    assert later["values"]["hwmon/nvme/temp1 at nvme0/temp1"] == 30.0
