"""Where a plugin's code may come from: folders that nobody else can change, and entry points."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from plugin_parts import folder_of, plug

from soakd.errors import EXIT_CONFIG, PluginError
from soakd.plugins import loading
from soakd.plugins.loading import MOST_FILES, digest, made, own_folder

CODE = "def sensors(options):\n    return options['answer']\n"


@pytest.fixture
def folder(tmp_path):
    return folder_of(tmp_path / "loop", CODE)


def refusal(plugged):
    with pytest.raises(PluginError) as refused:
        made(plugged)
    assert refused.value.exit_code == EXIT_CONFIG
    assert refused.value.message.startswith("plugin loop: ")
    assert "\n" not in refused.value.message
    return refused.value


def test_a_folder_s_function_gets_the_options_and_the_code_has_a_digest(folder):
    found, sha256 = made(plug(folder, answer=42))
    assert found == 42
    assert sha256 == digest(folder / "plugin.py")
    assert len(sha256) == 64
    assert not (folder / "__pycache__").exists()


def test_the_digest_changes_with_every_file_of_the_plugin_and_with_their_names(folder):
    seen = {digest(folder / "plugin.py")}
    folder_of(folder, "A = 1\n", "parts.py")
    seen.add(digest(folder / "plugin.py"))
    (folder / "parts.py").rename(folder / "pieces.py")
    seen.add(digest(folder / "plugin.py"))
    (folder / "notes.txt").write_text("no code")
    seen.add(digest(folder / "plugin.py"))
    assert len(seen) == 3


def test_files_beside_it_are_imported_relative_to_it(tmp_path):
    folder = folder_of(tmp_path / "loop", "from .parts import sensors\n")
    folder_of(folder, "def sensors(options):\n    return 'from beside'\n", "parts.py")
    assert made(plug(folder))[0] == "from beside"


def change(folder, what, mode):
    (folder / what).chmod(mode)


SHARED = {
    "the folder is open to its group": lambda folder: folder.chmod(0o775),
    "the folder is open to all": lambda folder: folder.chmod(0o757),
    "the code is open to all": lambda folder: change(folder, "plugin.py", 0o646),
    "a file beside it is open": lambda folder: change(folder_of(folder, "", "parts.py"), "parts.py", 0o664),
    "compiled code beside it is open": lambda folder: change(
        folder_of(folder / "__pycache__", "", "plugin.cpython-311.pyc"), "plugin.cpython-311.pyc", 0o666
    ),
    "a folder above it is open": lambda folder: folder.parent.chmod(0o777),
}


@pytest.mark.parametrize("how", SHARED)
def test_nothing_is_loaded_that_others_could_have_written(folder, how):
    SHARED[how](folder)
    error = refusal(plug(folder, answer=1))
    assert "others than root and soakd's own user could change" in error.message
    assert f"chmod -R go-w {folder}" in error.hint


def test_a_sticky_folder_above_is_no_danger(folder):
    folder.parent.chmod(0o1777)
    assert made(plug(folder, answer=1))[0] == 1


def test_nothing_is_loaded_that_belongs_to_another_user(folder, monkeypatch):
    """Owned by us, loaded by somebody else: root's files alone would do then."""
    about = (folder / "plugin.py").stat()
    if about.st_uid == 0:
        os.chown(folder / "plugin.py", 12345, 12345)
    else:
        monkeypatch.setattr(loading.os, "geteuid", lambda: about.st_uid + 1)
    assert "could change" in refusal(plug(folder, answer=1)).message


def test_a_link_inside_is_refused_and_a_link_to_it_is_followed(folder, tmp_path):
    (tmp_path / "link").symlink_to(folder)
    assert made(plug(tmp_path / "link", answer=1))[0] == 1
    (folder / "parts.py").symlink_to("/etc/hostname")
    assert "is a link; put the file itself there" in refusal(plug(folder, answer=1)).message


def test_a_folder_of_everything_is_refused(folder):
    for number in range(MOST_FILES + 1):
        (folder / f"{number}.txt").touch(mode=0o644)
    assert f"more than {MOST_FILES} files" in refusal(plug(folder, answer=1)).message


@pytest.mark.parametrize(
    ("source", "wanted"),
    [
        ("probes/loop", "give the absolute path of its folder"),
        ("/dev/shm/no-such-probe", "No such file or directory"),
        ("/etc", "has no plugin.py"),
        ("coolant", "no installed package offers coolant among its soakd.sensors"),
    ],
)
def test_a_source_that_is_none_is_refused_with_what_would_be_right(source, wanted):
    assert wanted in refusal(plug(source)).message


@pytest.mark.parametrize(
    ("code", "wanted"),
    [
        ("", "plugin.py: sensors is no function"),
        ("sensors = 7", "plugin.py: sensors is no function"),
        ("def sensors(options): raise ValueError('no device in options')", "ValueError: no device in options"),
        ("def sensors(): return 1", "TypeError: "),
        ("import no_such_module", "ModuleNotFoundError: No module named 'no_such_module'"),
        ("def sensors(:", "SyntaxError: "),
        ("raise SystemExit(7)", "SystemExit: 7"),
        (
            "from soakd.api import SoakdError\ndef sensors(options): raise SoakdError('no probe')",
            "plugin loop: no probe",
        ),
    ],
)
def test_code_that_fails_is_a_refusal_that_names_the_plugin(tmp_path, code, wanted):
    assert wanted in refusal(plug(folder_of(tmp_path / "loop", code))).message


PACKAGE = """
import json, sys
from soakd.model.plug import Plug
from soakd.plugins.loading import made
from soakd.errors import PluginError
try:
    print(made(Plug(name="loop", kind="sensors", source="harbour", options={}))[0])
except PluginError as error:
    print(error.message, "|", error.hint)
"""


def installed(place, name, module, code):
    """A package as pip leaves it: a module, and what it offers (entry points specification)."""
    place.mkdir(exist_ok=True)
    (place / f"{module}.py").write_text(code)
    info = place / f"{module}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[soakd.sensors]\n{name} = {module}:sensors\n")


def said_with(*places):
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(map(str, places))}
    command = [sys.executable, "-P", "-c", PACKAGE]
    return subprocess.run(command, capture_output=True, text=True, check=True, env=environment).stdout.strip()


def test_an_installed_package_is_found_by_its_entry_point(tmp_path):
    installed(tmp_path / "site", "harbour", "harbour_probe", "def sensors(options): return 'the harbour probe'\n")
    assert said_with(tmp_path / "site") == "the harbour probe"


def test_a_name_that_two_packages_offer_is_refused_with_both(tmp_path):
    installed(tmp_path / "site", "harbour", "one_probe", "def sensors(options): return 1\n")
    installed(tmp_path / "site", "harbour", "two_probe", "def sensors(options): return 2\n")
    assert "several packages offer harbour" in said_with(tmp_path / "site")
    assert "one_probe:sensors, two_probe:sensors" in said_with(tmp_path / "site")


def test_a_name_that_nobody_offers_is_refused_with_those_that_are_offered(tmp_path):
    installed(tmp_path / "site", "quay", "quay_probe", "def sensors(options): return 1\n")
    message, hint = said_with(tmp_path / "site").split("|")
    assert "no installed package offers harbour" in message
    assert "quay" in hint


def test_own_folder_resolves_where_it_really_is(folder, tmp_path):
    (tmp_path / "link").symlink_to(folder)
    assert own_folder(plug(tmp_path / "link")) == Path(folder).resolve()
