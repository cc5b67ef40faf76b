"""`soakd doctor` on the limiter: whether it has a temperature to read by itself on this bench."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from bench_tree import Chip, bench_command, make_hwmon, need_namespaces

SOAKD = str(Path(sys.executable).with_name("soakd"))
BOARD_ONLY = Chip(driver="nct6799", device="nct6775.656", files={"temp1_input": 33000, "temp1_label": "SYSTIN"})


def doctor(tree, home, *options):
    command = bench_command(tree, [SOAKD, "doctor", *options])
    environment = {**os.environ, "SOAKD_HOME": str(home), "COLUMNS": "100"}
    return subprocess.run(command, capture_output=True, text=True, timeout=30, check=False, env=environment).stdout


def check(tree, home, name):
    (found,) = [each for each in json.loads(doctor(tree, home, "--json")) if each["name"] == name]
    return found


def test_with_a_processor_s_sensor_the_limiter_has_a_reading_of_its_own(tree, tmp_path):
    """The desktop's Tctl and Tccd1."""
    said = check(tree, tmp_path, "limiter")
    assert said["state"] == "good"
    assert "watches the guard, and 2 processor temperatures by itself, 3 K above the limits" in said["text"]


def test_without_one_it_watches_only_the_guard_and_that_is_said(tmp_path):
    need_namespaces()
    said = check(make_hwmon(tmp_path / "hwmon", [BOARD_ONLY]), tmp_path, "limiter")
    assert said["state"] == "weak"
    assert "watches only the guard" in said["text"]
    assert "k10temp" in said["remedy"]


@pytest.mark.parametrize("word", ["[guard]", "/dev/watchdog", "guard.md"])
def test_nothing_of_a_remedy_is_lost_on_the_screen(tree, tmp_path, word):
    assert word in doctor(tree, tmp_path)
