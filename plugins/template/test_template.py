"""The template works when it is copied: copied, configured, its channel listed. And its own gaps have reasons."""

import json
import os
import shutil
import subprocess
import sys
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

HERE = Path(__file__).parent


def made(**options):
    spec = spec_from_file_location("template_plugin", HERE / "plugin.py")
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.sensors(options)


def test_a_copy_shows_its_channel_in_the_list_of_sensors(tmp_path):
    copy = shutil.copytree(HERE, tmp_path / "shelf", ignore=shutil.ignore_patterns("__pycache__"))
    for place in (copy, *copy.rglob("*")):
        place.chmod(place.stat().st_mode & ~0o022)
    (tmp_path / "soakd.toml").write_text(f'[[plugin]]\nname = "shelf"\nkind = "sensors"\nsource = "{copy}"\n')
    done = subprocess.run(
        [sys.executable, "-m", "soakd.cli.main", "sensors", "list", "--of", "plugin/shelf", "--json"],
        capture_output=True, text=True, check=False, env={**os.environ, "SOAKD_HOME": str(tmp_path)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (shown,) = json.loads(done.stdout)
    assert (shown["name"], shown["role"], shown["value"]) == ("plugin/shelf/shelf", "ambient-temperature", 21.5)


def test_what_it_cannot_read_is_a_gap_with_the_reason(tmp_path):
    probe = made(file=str(tmp_path / "reading"))
    assert [channel.name for channel in probe.channels()] == ["shelf"]
    assert probe.read() == ({}, {"shelf": "cannot be read: No such file or directory"})
    (tmp_path / "reading").write_text("warm\n")
    assert probe.read() == ({}, {"shelf": "not a number: 'warm'"})
    (tmp_path / "reading").write_text("19.5\n")
    assert probe.read() == ({"shelf": 19.5}, {})
