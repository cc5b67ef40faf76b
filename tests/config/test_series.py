"""A series file stands for its trials, in order, with everything that it names read and checked first."""

import pytest

from soakd.config.series import load_series
from soakd.errors import ConfigError

SERIES = """
version = 1
name = "Steps"
plan = "short.toml"
[hook]
command = ["/usr/local/lib/bench/apply"]
[[trial]]
sheet = "one.toml"
[[trial]]
sheet = "two.toml"
at-boot = true
settle = "90 s"
"""
PLAN = 'version = 1\nname = "Short"\n[[stage]]\nname = "s"\nworkload = "integer"\nduration = "2 s"\n'


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "short.toml").write_text(PLAN)
    for name in ("one", "two"):
        (tmp_path / f"{name}.toml").write_text(f'version = 1\nname = "{name}"\n')
    (tmp_path / "series.toml").write_text(SERIES)
    return tmp_path


def test_every_trial_becomes_a_request_with_its_own_sheet(folder):
    first, second = load_series(folder / "series.toml")
    assert [ask.sheet.name for ask in (first, second)] == ["one", "two"]
    assert {ask.plan.name for ask in (first, second)} == {"Short"}
    assert {ask.series for ask in (first, second)} == {"Steps"}
    assert all(ask.stop_series and not ask.after_any for ask in (first, second))
    assert [(ask.at_boot, ask.settle_s) for ask in (first, second)] == [(False, 120.0), (True, 90.0)]
    assert first.hook.command == ("/usr/local/lib/bench/apply",)


def test_shipped_plans_and_sheets_can_be_named(folder):
    text = SERIES.replace("short.toml", "evening").replace("two.toml", "lantern")
    (folder / "series.toml").write_text(text)
    first, second = load_series(folder / "series.toml")
    assert first.plan.name == "Evening"
    assert second.sheet.name.startswith("Lantern")


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ("two.toml", "three.toml", "three.toml: no such file"),
        ('plan = "short.toml"', 'plan = "no-such"', "not a shipped one"),
        ('settle = "90 s"', "settle = 90", "text with a unit"),
        ("at-boot = true", "at_boot = true", "did you mean at-boot"),
        ("[[trial]]", "[[trials]]", "did you mean trial"),
        ('command = ["/usr/local/lib/bench/apply"]', "command = []", "command"),
        ("version = 1", "version = 2", "version = 1"),
    ],
)
def test_what_is_wrong_is_named_before_anything_is_queued(folder, before, after, words):
    (folder / "series.toml").write_text(SERIES.replace(before, after))
    with pytest.raises(ConfigError, match=r"\S") as refused:
        load_series(folder / "series.toml")
    assert words in refused.value.message
