"""A built wheel, installed in an empty environment outside the clone, does the same job."""

import os
import subprocess
import sys
import venv
from pathlib import Path

import pytest
from soak_bench import INTEGER, Done, plan_text

ROOT = Path(__file__).resolve().parents[2]

pytestmark = pytest.mark.soak


def checked(*command, cwd, **options):
    done = subprocess.run(
        [str(word) for word in command], cwd=cwd, capture_output=True, text=True, check=False, **options
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_the_wheel_works_without_the_clone(tmp_path):
    checked(sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", tmp_path, ROOT, cwd=tmp_path)
    (wheel,) = tmp_path.glob("soakd-*.whl")
    place = tmp_path / "env"
    venv.create(place, with_pip=True)
    checked(place / "bin/python", "-m", "pip", "install", "--quiet", wheel, cwd=tmp_path)
    soakd = place / "bin/soakd"
    environment = {**os.environ, "SOAKD_HOME": str(tmp_path / "state")}
    where = checked(place / "bin/python", "-c", "import soakd; print(soakd.__file__)", cwd=tmp_path)
    assert str(place) in where
    refused = subprocess.run([soakd, "run", "no-such-plan"], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert refused.returncode == 78
    assert "evening, overnight, three-minutes" in refused.stderr
    (tmp_path / "plan.toml").write_text(plan_text(INTEGER))
    assert "0 refused" in checked(soakd, "sheet", "check", "lantern", "--elsewhere", cwd=tmp_path, env=environment)
    checked(soakd, "sheet", "draft", "mine.toml", cwd=tmp_path, env=environment)
    out = checked(soakd, "run", "plan.toml", "--sheet", "mine.toml", "--json", cwd=tmp_path, env=environment)
    verdict = Done(0, out, "").verdict
    assert verdict["outcome"] == "pass"
    assert verdict["sheet"]["processor"]["threads"] == os.cpu_count()
    checked(soakd, "verdict", "report", "-o", "report.html", cwd=tmp_path, env=environment)
    assert (tmp_path / "report.html").read_text().startswith("<!doctype html>")
