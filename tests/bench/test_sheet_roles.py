"""Sheets and plans are drafted and checked with the roles that the tuner gave, as they are run with them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from bench_tree import Chip, bench_command, make_hwmon, need_namespaces

SOAKD = str(Path(sys.executable).with_name("soakd"))
BOARD = "hwmon/nct6799/SYSTIN"
CHIPS = (Chip(driver="nct6799", files={"temp1_input": 33000, "temp1_label": "SYSTIN", "in0_input": 1104}),)
SHEET = 'version = 1\nname = "T"\n[clocks]\nlimits = [{ active-cores = 1, ratio = 40 }]\n'


@pytest.fixture
def typed(tmp_path):
    """What the command says on a bench with one board sensor; that has a role in the configuration, or none."""
    need_namespaces()
    tree = make_hwmon(tmp_path / "hwmon", CHIPS)
    (tmp_path / "sheet.toml").write_text(SHEET, encoding="utf-8")
    environment = {**os.environ, "SOAKD_HOME": str(tmp_path)}

    def run(role, *words):
        roles = f'version = 1\n[roles]\n"{BOARD}" = "{role}"\n' if role else "version = 1\n"
        (tmp_path / "soakd.toml").write_text(roles, encoding="utf-8")
        command = bench_command(tree, [SOAKD, *words])
        return subprocess.run(
            command, capture_output=True, text=True, check=False, timeout=60, env=environment, cwd=tmp_path
        )

    return run


def test_a_drafted_sheet_names_the_coolant_sensor_that_only_the_tuner_knows(typed):
    line = f'coolant-channel = "{BOARD}"'
    assert line in typed("coolant-temperature", "sheet", "draft").stdout.splitlines()
    assert line not in typed(None, "sheet", "draft").stdout.splitlines()


def test_a_role_that_a_channel_cannot_have_is_refused_at_the_check_too(typed):
    done = typed("fan", "sheet", "check", "sheet.toml")
    assert (done.returncode, done.stdout) == (78, "")
    assert done.stderr.startswith(f"soakd: roles: {BOARD} reads in °C and cannot be fan")


def test_a_drafted_plan_would_start_with_the_temperature_that_the_tuner_named(typed):
    words = ("plan", "draft", "--sheet", "sheet.toml", "--hours", "1")
    assert "it would not start this plan: no processor temperature" in typed(None, *words).stderr
    assert "it would not start" not in typed("cpu-temperature", *words).stderr
