"""soakd.toml: the shipped one holds the defaults and explains every key; a mistake is one line without secrets."""

import re
import tomllib
from pathlib import Path

import pytest

from soakd.config.files import load_configuration
from soakd.errors import EXIT_CONFIG, ConfigError
from soakd.model.configuration import Api, Configuration, Plugin, Retention, Target

SHIPPED = Path(__file__).resolve().parents[2] / "configs" / "soakd.toml"
PLUG = '[[plugin]]\nname = "loop"\nkind = "sensors"\nsource = "x"\n'
HEAD = '[[target]]\nname = "a"\nurl = "json://planted-secret"\n'
BROKEN = {
    "key misspelt at the top": ('zones = "UTC"', "zones", "", "did you mean zone?"),
    "key misspelt in a target": (HEAD + "only_bad = true", "target 1: only_bad", "", "did you mean only-bad?"),
    "address misspelt": (HEAD + 'ulr = "json://planted-secret"', "target 1: ulr", "", "mean url?"),
    "no address": ('[[target]]\nname = "a"', "target 1: url", "", "required"),
    "address of another type": (
        '[[target]]\nname = "a"\nurl = ["planted-secret"]',
        "target 1: url",
        "",
        "text in quotes",
    ),
    "target as a plain table": (
        '[target]\nurl = "planted-secret"',
        "target",
        "",
        "under a line of its own, [[target]]",
    ),
    "two of one name": (HEAD * 2, "target", "", 'several are called "a"'),
    "unknown occasion": (HEAD + 'on = ["verdicts"]', "target 1: on 1", '"verdicts"', '"standing-lost"'),
    "no occasion": (HEAD + "on = []", "target 1: on", "[]", "must hold at least one"),
    "quiet without an end": (HEAD + 'quiet = "23:00"', "target 1: quiet", '"23:00"', 'such as "23:00-07:00"'),
    "quiet at no time of day": (HEAD + 'quiet = "23:00-25:00"', "target 1: quiet", '"23:00-25:00"', "time of day"),
    "quiet all day": (HEAD + 'quiet = "07:00-07:00"', "target 1: quiet", '"07:00-07:00"', "the whole day"),
    "no such zone": ('zone = "Europe/Atlantis"', "zone", '"Europe/Atlantis"', "such as Europe/Berlin"),
    "a path for a zone": ('zone = "../etc/passwd"', "zone", '"../etc/passwd"', "time zone of the IANA database"),
    "port open to the world": ('[api]\ntcp = "0.0.0.0:80"', "api: tcp", '"0.0.0.0:80"', "a loopback address"),
    "key misspelt in the api": ('[api]\nsockets = "x"', "api: sockets", "", "did you mean socket?"),
    "age without a unit": ("[retention]\nreadings = 30", "retention: readings", "30", 'such as "30 d"'),
    "age in another unit": (
        '[retention]\nreadings = "30 days"',
        "retention: readings",
        '"30 days"',
        "use s, ms, min, h, d",
    ),
    "nothing is kept": ('[retention]\nreadings = "1 h"', "retention: readings", '"1 h"', "must lie between"),
    "no time of day": ('[retention]\nat = "4:15"', "retention: at", '"4:15"', 'such as "04:15"'),
    "plugin of no kind": (
        PLUG.replace("sensors", "sensor"),
        "plugin 1: kind",
        '"sensor"',
        'must be "sensors" or "workload"',
    ),
    "plugin with an odd name": (PLUG.replace("loop", "My Loop"), "plugin 1: name", '"My Loop"', "small letters"),
    "plugin as a plain table": (PLUG.replace("[[plugin]]", "[plugin]"), "plugin", "", "of its own, [[plugin]]"),
    "two plugins of one name": (PLUG * 2, "plugin", "", 'several are called "loop"'),
    "slow plugin": (PLUG + 'time-limit = "1 min"', "plugin 1: time-limit", '"1 min"', "must lie between"),
    "workload with a time limit": (
        PLUG.replace("sensors", "workload") + 'time-limit = "1 s"',
        "plugin 1: time-limit",
        '"1 s"',
        "only sensors have it",
    ),
    "options that are no table": (PLUG + 'options = "planted-secret"', "plugin 1: options", "", "must be a table"),
    "options without end": (
        PLUG + f'[plugin.options]\ntoken = "{"planted-secret" * 2000}"',
        "plugin 1: options",
        "",
        "more than 16384 characters",
    ),
    "role misspelt": (
        '[roles]\n"hwmon/a b.c/fan1" = "pumps"',
        "roles: hwmon/a b.c/fan1",
        '"pumps"',
        "did you mean pump?",
    ),
    "role of nobody": ('[roles]\nx = "flux"', "roles: x", '"flux"', "no such role; roles are cpu-temperature, "),
    "role that is no text": ("[roles]\nx = 3", "roles: x", "3", "no such role; roles are cpu-temperature, "),
    "roles that are no table": ('roles = "pump"', "roles", '"pump"', "must be a table"),
    "file of a later version": ("version = 2", "version", "2", "reads files with version = 1"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_mistake_is_refused_in_one_line_that_shows_no_address(name, tmp_path):
    text, key, value, wanted = BROKEN[name]
    path = tmp_path / "soakd.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as refused:
        load_configuration(path)
    error = refused.value
    assert (error.exit_code, error.file, error.key, error.value) == (EXIT_CONFIG, str(path), key, value)
    assert wanted in error.wanted
    assert "\n" not in str(error)
    assert "planted-secret" not in str(error)
    assert " more)" not in str(error)


def test_an_empty_file_is_a_valid_one(tmp_path):
    path = tmp_path / "soakd.toml"
    path.write_text("", encoding="utf-8")
    assert load_configuration(path) == Configuration()


def test_the_shipped_file_holds_the_defaults():
    assert load_configuration(SHIPPED) == Configuration()


def uncommented():
    """The shipped file with its examples switched on."""
    example = re.compile(
        r"""^# ?((?:\[\[(?:target|plugin)\]\]|\[plugin\.options\]|(?:# )?(?:[a-z-]+|"[^"]+") = ).*)$"""
    )
    lines = SHIPPED.read_text(encoding="utf-8").splitlines()
    return "\n".join(match[1] if (match := example.match(line)) else line for line in lines)


def test_every_key_there_is_stands_in_the_shipped_file_and_its_examples_load(tmp_path):
    path = tmp_path / "soakd.toml"
    path.write_text(uncommented(), encoding="utf-8")
    loaded = load_configuration(path)
    document = tomllib.loads(uncommented())
    for part, model in ((document, Configuration), (document["api"], Api), (document["retention"], Retention)):
        assert set(part) == {field.alias or name for name, field in model.model_fields.items()}
    assert set(document["plugin"][0]) == {field.alias or name for name, field in Plugin.model_fields.items()}
    assert set(document["target"][0]) == {field.alias or name for name, field in Target.model_fields.items()}
    assert loaded.roles == {"hwmon/nct6799/fan7": "pump", "hwmon/nct6799/AUXTIN1": "coolant-temperature"}
    assert loaded.targets[0].on == Target.model_fields["on"].default


def test_an_age_may_be_years(tmp_path):
    path = tmp_path / "soakd.toml"
    path.write_text('[retention]\nreadings = "3650 d"', encoding="utf-8")
    assert load_configuration(path).retention.readings_s == 3650 * 86_400
