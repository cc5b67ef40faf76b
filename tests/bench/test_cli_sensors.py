"""`soakd sensors` as a person and as a program meets it, on a virtual desktop and on this machine."""

from __future__ import annotations

import json
import os
import pty
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from bench_tree import DESKTOP, Chip, bench_command, make_hwmon, need_namespaces, on_bench, put

SOAKD = str(Path(sys.executable).with_name("soakd"))


def run(command):
    """A finished command at 80 columns, without colours."""
    environment = {**os.environ, "COLUMNS": "80", "NO_COLOR": "1"}
    return subprocess.run(command, capture_output=True, text=True, timeout=30, check=False, env=environment)


def on_desktop(tree, *words):
    done = run(bench_command(tree, [SOAKD, "sensors", *words]))
    assert done.returncode == 0, done.stderr
    return done


def row_of(text, name):
    """Cells of the table's row with that name."""
    (line,) = (line for line in text.splitlines() if name in line)
    return line.split()


def test_the_list_for_programs_has_every_channel_with_role_unit_value_and_critical_value(tree):
    shown = {each["name"]: each for each in json.loads(on_desktop(tree, "list", "--json").stdout)}
    assert shown["hwmon/k10temp/Tctl"] == {
        "name": "hwmon/k10temp/Tctl",
        "role": "cpu-temperature",
        "unit": "°C",
        "value": 45.0,
        "gap": None,
        "critical": None,
        "limits": [],
        "health": "good",
    }
    assert shown["hwmon/nvme/Composite"]["critical"] == pytest.approx(84.85)
    assert shown["hwmon/nct6799/in0"]["unit"] == "V"
    assert sum(name.startswith("hwmon/") for name in shown) == 7


def test_the_list_for_people_fits_80_columns_and_begins_with_the_processor(tree):
    done = on_desktop(tree, "list")
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0].split() == ["role", "channel", "reading", "critical", "health"]
    assert lines[1].split()[0] == "cpu-temperature"
    assert row_of(done.stdout, "hwmon/k10temp/Tctl")[2:] == ["45.0", "°C", "good"]
    assert row_of(done.stdout, "hwmon/nvme/Composite")[2:] == ["38.9", "°C", "84.9", "°C", "good"]
    assert row_of(done.stdout, "hwmon/nct6799/fan1")[2:] == ["910", "rpm", "good"]
    assert row_of(done.stdout, "hwmon/nct6799/in0")[2:] == ["1.104", "V", "good"]
    assert "e+" not in done.stdout
    assert done.stderr == ""


def test_the_health_of_a_channel_is_in_its_row_and_a_gap_is_explained_below(tree):
    put(tree / "hwmon1" / "fan1_input", "N/A")
    put(tree / "hwmon0" / "temp1_input", 250000)
    text = on_desktop(tree, "list", "--of", "hwmon").stdout
    table, below = text.split("gaps:\n")
    assert row_of(table, "hwmon/nct6799/fan1")[2] == "gap"
    assert row_of(table, "hwmon/k10temp/Tctl")[2] == "absurd"
    assert sorted(below.splitlines()) == [
        "  hwmon/k10temp/Tctl: absurd: 250",
        "  hwmon/nct6799/fan1: not a number: 'N/A'",
    ]


LIMITS = """
version = 1
name = "Limits"
[[stage]]
name = "A minute"
workload = "integer"
duration = "1 min"
[[limit]]
of = "pump"
below = "900 rpm"
[[limit]]
of = "cpu-temperature"
above = "88 °C"
"""
ROLES = """
[roles]
"hwmon/nct6799/fan2" = "pump"
"hwmon/nct6799/fan9" = "pump"
"""


def test_roles_of_the_configuration_and_limits_of_a_plan_are_shown(tree, tmp_path):
    (tmp_path / "soakd.toml").write_text(ROLES)
    (tmp_path / "plan.toml").write_text(LIMITS)
    words = ["list", "--plan", str(tmp_path / "plan.toml"), "--config", str(tmp_path / "soakd.toml")]
    done = on_desktop(tree, *words)
    assert done.stdout.splitlines()[0].split() == ["role", "channel", "reading", "limit", "health"]
    pump = ["pump", "hwmon/nct6799/fan2", "1240", "rpm", "below", "900", "rpm", "good"]
    assert row_of(done.stdout, "hwmon/nct6799/fan2") == pump
    assert row_of(done.stdout, "hwmon/k10temp/Tctl")[4:] == ["above", "88", "°C", "good"]
    (told,) = done.stderr.splitlines()
    assert told.startswith("soakd: roles: hwmon/nct6799/fan9 is no channel of this bench")
    shown = {each["name"]: each for each in json.loads(on_desktop(tree, *words, "--json").stdout)}
    assert shown["hwmon/nct6799/fan2"]["limits"] == ["below 900 rpm"]


def test_the_configuration_in_the_state_folder_is_the_one_if_none_is_named(tree, tmp_path, monkeypatch):
    (tmp_path / "soakd.toml").write_text(ROLES)
    monkeypatch.setenv("SOAKD_HOME", str(tmp_path))
    shown = {each["name"]: each for each in json.loads(on_desktop(tree, "list", "--json").stdout)}
    assert shown["hwmon/nct6799/fan2"]["role"] == "pump"


def test_a_role_that_a_channel_cannot_have_is_refused_in_one_line(tree, tmp_path):
    (tmp_path / "soakd.toml").write_text('[roles]\n"hwmon/nct6799/in0" = "pump"\n')
    done = run(bench_command(tree, [SOAKD, "sensors", "list", "--config", str(tmp_path / "soakd.toml")]))
    assert done.returncode == 78
    assert done.stderr.splitlines()[0] == "soakd: roles: hwmon/nct6799/in0 reads in V and cannot be pump"
    assert len(done.stderr.splitlines()) == 2


def test_a_limit_that_this_bench_cannot_keep_is_refused_by_name(tree, tmp_path):
    (tmp_path / "plan.toml").write_text(LIMITS)
    done = run(bench_command(tree, [SOAKD, "sensors", "list", "--plan", str(tmp_path / "plan.toml")]))
    assert done.returncode == 78
    assert done.stderr.startswith("soakd: limit on pump: this bench has no such role or channel\n")


def test_watching_for_programs_is_one_object_a_line_with_readings_and_reasons(tree):
    put(tree / "hwmon1" / "fan1_input", "")
    lines = on_desktop(tree, "watch", "--count", "2", "--every", "0.1", "--json").stdout.splitlines()
    looks = [json.loads(line) for line in lines]
    assert len(looks) == 2
    assert looks[0]["at"] < looks[1]["at"]
    for look in looks:
        assert look["readings"]["hwmon/k10temp/Tctl"] == 45.0
        assert look["readings"]["hwmon/nct6799/fan1"] is None
        assert look["gaps"]["hwmon/nct6799/fan1"] == "empty"


def test_watching_sees_a_change_and_a_loss_while_it_runs(tree):
    command = [SOAKD, "sensors", "watch", "--every", "0.1", "--json", "--of", "hwmon/k10temp"]
    with on_bench(tree, command) as program:
        assert json.loads(program.stdout.readline())["readings"]["hwmon/k10temp/Tctl"] == 45.0
        put(tree / "hwmon0" / "temp1_input", 77000)
        looks = (json.loads(line) for line in program.stdout)
        assert any(look["readings"]["hwmon/k10temp/Tctl"] == 77.0 for look in looks)
        shutil.rmtree(tree / "hwmon0")
        lost = next(look for look in looks if look["gaps"])
        assert lost["gaps"]["hwmon/k10temp/Tctl"] == "gone: it does not exist any more"


def test_watching_into_a_file_writes_one_table_after_another(tree):
    text = on_desktop(tree, "watch", "--count", "2", "--every", "0.1", "--of", "voltage").stdout
    assert text.count("hwmon/nct6799/in0") == 2
    assert "\x1b" not in text


def test_watching_on_a_terminal_redraws_one_table_in_its_place(tree):
    leader, follower = pty.openpty()
    command = [SOAKD, "sensors", "watch", "--count", "3", "--every", "0.1", "--of", "voltage"]
    environment = {**os.environ, "COLUMNS": "80", "LINES": "24", "TERM": "xterm"}
    with on_bench(tree, command, stdout=follower, stderr=follower, env=environment) as program:
        os.close(follower)
        text = b""
        try:
            while chunk := os.read(leader, 65536):
                text += chunk
        except OSError:  # the last writer is gone
            pass
        assert program.wait(timeout=20) == 0
    os.close(leader)
    assert text.count(b"hwmon/nct6799/in0") >= 3
    assert b"\x1b[1A\x1b[2K" in text  # ECMA-48: cursor up, erase in line


@pytest.mark.parametrize(
    ("of", "names"),
    [
        ("fan", {"hwmon/nct6799/fan1", "hwmon/nct6799/fan2"}),
        ("drive-temperature", {"hwmon/nvme/Composite"}),
        ("hwmon/K10TEMP", {"hwmon/k10temp/Tctl", "hwmon/k10temp/Tccd1"}),
    ],
)
def test_channels_can_be_chosen_by_role_or_by_part_of_their_name(tree, of, names):
    shown = {each["name"] for each in json.loads(on_desktop(tree, "list", "--json", "--of", of).stdout)}
    assert {name for name in shown if name.startswith("hwmon/")} == names


def test_a_choice_that_finds_nothing_is_a_usage_error_with_the_roles_that_there_are(tree):
    done = run(bench_command(tree, [SOAKD, "sensors", "list", "--of", "flux"]))
    assert done.returncode == 2
    assert done.stderr.splitlines()[0] == "soakd: flux: no channel here has this role or name"
    assert "cpu-temperature" in done.stderr
    assert "Traceback" not in done.stderr


def test_long_and_odd_names_stay_readable_at_80_columns(tmp_path):
    need_namespaces()
    label = "[red]a very long label that a maker of boards has invented at some late hour[/red]"
    odd = Chip(driver="board", files={"temp1_input": 20000, "temp1_label": label})
    done = on_desktop(make_hwmon(tmp_path / "hwmon", [*DESKTOP, odd]), "list")
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert "[red]a" in done.stdout.replace("\n", "")


def test_this_machine_lists_its_channels_and_says_when_the_processors_temperature_is_missing():
    listed = run([SOAKD, "sensors", "list", "--json"])
    roles = {each["role"] for each in json.loads(listed.stdout)}
    assert {"core-load", "memory-available", "swap-traffic"} <= roles
    done = run([SOAKD, "sensors", "list"])
    assert (done.returncode, listed.returncode) == (0, 0)
    missing = "no processor temperature here: see `soakd doctor`\n"
    assert done.stderr == ("" if "cpu-temperature" in roles else missing)


def test_an_empty_tree_is_a_bench_without_processor_temperature(tmp_path):
    need_namespaces()
    done = on_desktop(make_hwmon(tmp_path / "hwmon", []), "list")
    assert done.stderr == "no processor temperature here: see `soakd doctor`\n"
    assert "hwmon/" not in done.stdout
