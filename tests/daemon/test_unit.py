"""The systemd unit: what the service manager itself says of it. It is verified statically; no manager runs it here."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

UNIT = Path(__file__).resolve().parents[2] / "configs" / "soakd.service"


@pytest.fixture
def analyze():
    found = shutil.which("systemd-analyze")
    if found is None:
        pytest.skip("not shown on this machine: there is no systemd-analyze to verify the unit with")
    return found


@pytest.fixture
def installed(tmp_path):
    """The unit with a program and a user that this machine has."""
    text = UNIT.read_text().replace("/opt/soakd/bin/soakd", sys.executable)
    text = text.replace("User=soakd", "User=daemon").replace("Group=soakd", "Group=daemon")
    place = tmp_path / "soakd.service"
    place.write_text(text)
    return place


def test_systemd_finds_nothing_wrong_with_the_unit(analyze, installed):
    done = subprocess.run([analyze, "verify", installed], capture_output=True, text=True, check=False)
    ours = [line for line in done.stderr.splitlines() if installed.name in line]
    assert (done.returncode, ours) == (0, [])


def test_the_hardening_is_rated_ok_or_better(analyze, installed):
    done = subprocess.run(
        [analyze, "security", "--offline=true", "--no-pager", installed], capture_output=True, text=True, check=False
    )
    level = float(re.search(r"Overall exposure level for \S+: ([\d.]+)", done.stdout)[1])
    assert level <= 3.5, done.stdout


def test_the_unit_gives_the_load_what_it_takes_and_the_guard_what_it_needs():
    lines = UNIT.read_text().splitlines()
    for line in ("Type=notify", "LimitMEMLOCK=infinity", "KillMode=control-group", "NoNewPrivileges=yes"):
        assert line in lines
    (watchdog,) = [int(line.removeprefix("WatchdogSec=")) for line in lines if line.startswith("WatchdogSec=")]
    (stop,) = [int(line.removeprefix("TimeoutStopSec=")) for line in lines if line.startswith("TimeoutStopSec=")]
    assert watchdog >= 10
    assert stop >= 30, "a guard that hangs is given 10 s, its last words 20 s"
