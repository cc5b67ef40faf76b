"""The schemas that travel with soakd are those of the model, and the shipped files keep to them."""

import json
import tomllib
from pathlib import Path

import jsonschema
import pytest

from soakd.config.schemas import schemas, text

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "shared" / "schemas"


@pytest.mark.parametrize("name", schemas())
def test_the_published_schema_is_the_model_s(name):
    """To renew: python -m soakd.config.schemas shared/schemas."""
    assert (FOLDER / name).read_text() == text(schemas()[name])


def test_nothing_else_lies_there():
    assert {path.name for path in FOLDER.iterdir()} == set(schemas())


@pytest.mark.parametrize(("kind", "folder"), [("plan", "plans"), ("sheet", "sheets"), ("bench", "benches")])
def test_shipped_files_keep_to_the_schema(kind, folder):
    schema = json.loads((FOLDER / f"{kind}.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    files = sorted((ROOT / "configs" / folder).glob("*.toml"))
    assert files
    for path in files:
        jsonschema.validate(tomllib.loads(path.read_text()), schema)


def test_the_verdict_schema_refuses_what_is_no_verdict():
    schema = json.loads((FOLDER / "verdict.schema.json").read_text())
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"outcome": "pass"}, schema)
