"""The page for plugin authors shows the template as it is, and the facade's names that it tells of exist."""

import re
import tomllib
from pathlib import Path

import pytest

from soakd import api
from soakd.model.configuration import Plugin
from soakd.plugins.loading import GROUPS

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "shared" / "docs" / "plugins.md").read_text()
PLUGINS = sorted(path.parent for path in (ROOT / "plugins").glob("*/plugin.py"))


def test_the_page_holds_the_template_word_for_word():
    (shown,) = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    assert shown == (ROOT / "plugins" / "template" / "plugin.py").read_text()


def test_every_plugin_is_on_the_page_and_has_its_parts():
    assert [folder.name for folder in PLUGINS] == re.findall(r"^\| `([a-z-]+)` \|", PAGE, re.MULTILINE) or {
        folder.name for folder in PLUGINS
    } == set(re.findall(r"^\| `([a-z-]+)` \|", PAGE, re.MULTILINE))
    for folder in PLUGINS:
        assert (folder / "README.md").is_file()
        assert len(list(folder.glob("test_*.py"))) == 1


@pytest.mark.parametrize("folder", PLUGINS, ids=lambda folder: folder.name)
def test_every_plugin_imports_only_the_facade_of_ours(folder):
    for file in folder.glob("*.py"):
        if not file.name.startswith("test_"):
            ours = re.findall(r"^\s*(?:from|import) (soakd[.\w]*)", file.read_text(), re.MULTILINE)
            assert set(ours) <= {"soakd.api"}, file
            names = re.findall(r"^from soakd\.api import (.*)$", file.read_text(), re.MULTILINE)
            assert {name.strip() for line in names for name in line.split(",")} <= set(api.__all__)


@pytest.mark.parametrize("folder", PLUGINS, ids=lambda folder: folder.name)
def test_every_package_offers_what_its_files_hold(folder):
    project = tomllib.loads((folder / "pyproject.toml").read_text())
    files = project["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]
    code = {file.name for file in folder.glob("*.py") if not file.name.startswith("test_")}
    assert {name for name in files if name.endswith(".py")} == code
    assert set(project["project"]["entry-points"]) <= set(GROUPS.values())
    for group, offered in project["project"]["entry-points"].items():
        for value in offered.values():
            module, function = value.split(":")
            assert files["plugin.py"] == f"{module}/__init__.py"
            assert GROUPS[function] == group
            assert f"def {function}(options" in (folder / "plugin.py").read_text()


def test_every_example_of_a_plugin_in_a_readme_is_a_valid_one():
    texts = [PAGE, *((folder / "README.md").read_text() for folder in PLUGINS)]
    examples = [block for text in texts for block in re.findall(r"```toml\n(\[\[plugin\]\].*?)```", text, re.DOTALL)]
    assert len(examples) == len(PLUGINS) + 1
    for example in examples:
        for table in tomllib.loads(example)["plugin"]:
            assert Plugin.model_validate(table).plug.label == f"plugin/{table['name']}"
