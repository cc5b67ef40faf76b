"""Plans and sheets to choose from: the bench's own and the shipped ones, each with why it cannot be used."""

import os

import pytest

from soakd.errors import ConfigError
from soakd.web import stored

PLAN = 'version = 1\nname = "Mine"\n[[stage]]\nname = "s"\nworkload = "integer"\nduration = "2 s"\n'


@pytest.fixture
def home(tmp_path):
    (tmp_path / "plans").mkdir()
    (tmp_path / "plans" / "mine.toml").write_text(PLAN, encoding="utf-8")
    return tmp_path


def test_a_folder_that_is_not_there_holds_nothing(tmp_path):
    assert {each.origin for each in stored.plans(tmp_path)} == {"shipped"}
    assert "shipped/overnight" in {each.key for each in stored.plans(tmp_path)}
    assert {each.problem for each in (*stored.plans(tmp_path), *stored.sheets(tmp_path))} == {None}


def test_the_bench_s_own_come_first_and_each_is_found_by_its_key(home):
    first = stored.plans(home)[0]
    assert (first.key, first.name, first.problem) == ("own/mine", "Mine", None)
    assert stored.plan(home, "own/mine").name == "Mine"
    assert stored.plan(home, "shipped/three-minutes").name == "Three minutes"


def test_one_that_cannot_be_used_says_why(home):
    (home / "plans" / "bad.toml").write_text("version = 1\n", encoding="utf-8")
    (home / "plans" / "large.toml").write_text("#" * 300_000, encoding="utf-8")
    (home / "plans" / "gone.toml").symlink_to(home / "nowhere")
    (home / "plans" / "folder.toml").mkdir()
    problems = {each.path.stem: each.problem for each in stored.plans(home) if each.origin == "own"}
    assert "name: this key is required" in problems["bad"]
    assert "larger than 256 KiB" in problems["large"]
    assert set(problems) == {"bad", "large", "mine"}
    for _ in range(2):
        with pytest.raises(ConfigError, match="this key is required"):
            stored.plan(home, "own/bad")


@pytest.mark.parametrize("key", ["", "own/", "own/none", "mine", "own/../plans/mine", "/etc/passwd", "shipped/mine"])
def test_a_key_is_looked_up_and_never_a_path(home, key):
    with pytest.raises(ConfigError, match="there is none of that name"):
        stored.plan(home, key)


def test_a_file_that_was_changed_is_read_again(home):
    path = home / "plans" / "mine.toml"
    assert stored.plan(home, "own/mine").name == "Mine"
    path.write_text(PLAN.replace("Mine", "Ours"), encoding="utf-8")
    os.utime(path, ns=(0, 0))
    assert stored.plan(home, "own/mine").name == "Ours"
