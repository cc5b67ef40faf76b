"""`soakd init`: a starting set that every command takes as it is, and that replaces nothing."""

import json
import stat

import pytest
from typer.testing import CliRunner

from soakd.cli.main import app
from soakd.config.files import load_configuration, load_plan, load_sheet
from soakd.errors import UsageError

FILES = ["soakd.toml", "sheets/trial-1.toml", "plans/three-minutes.toml"]


def init(*words, home=None):
    return CliRunner(env={"SOAKD_HOME": str(home)} if home else None).invoke(app, ["init", *map(str, words)])


def test_all_files_are_written_for_their_owner_alone_and_can_be_used(tmp_path):
    done = init(tmp_path / "set")
    assert done.exit_code == 0, done.output
    paths = [tmp_path / "set" / name for name in FILES]
    assert all(str(path) in done.output for path in paths)
    assert {stat.S_IMODE(path.stat().st_mode) for path in paths} == {0o600}
    assert load_configuration(paths[0]).plugins == ()
    assert load_sheet(paths[1]).processor.cores > 0
    assert load_plan(paths[2]).duration_s == 180.0


def test_without_a_folder_it_is_the_state_folder_where_the_page_finds_them(tmp_path):
    from soakd.web import stored

    home = tmp_path / "state"
    done = init("--json", home=home)
    assert json.loads(done.stdout) == {"files": [str(home / name) for name in FILES]}
    assert stored.sheet(home, "own/trial-1").name == "Trial 1"
    assert stored.plan(home, "own/three-minutes").name == "Three minutes"


@pytest.mark.parametrize("name", FILES)
def test_where_one_is_there_already_nothing_is_written(tmp_path, name):
    kept = tmp_path / name
    kept.parent.mkdir(exist_ok=True)
    kept.write_text("mine", encoding="utf-8")
    done = init(tmp_path)
    assert isinstance(done.exception, UsageError)
    assert f"{kept} is there already" in done.exception.message
    assert list(tmp_path.rglob("*.toml")) == [kept]
    assert kept.read_text(encoding="utf-8") == "mine"
