"""The checkers are at zero, for the package and for its tests."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def run(*arguments):
    return subprocess.run([sys.executable, "-m", *arguments], cwd=ROOT, capture_output=True, text=True, check=False)


def test_ruff_finds_nothing():
    done = run("ruff", "check", "--output-format", "concise", ".")
    assert done.returncode == 0, done.stdout


def test_everything_is_formatted():
    done = run("ruff", "format", "--check", "--quiet", ".")
    assert done.returncode == 0, done.stdout


def test_mypy_strict_finds_nothing():
    done = run("mypy")
    assert done.returncode == 0, done.stdout
