"""The published JSON Schemas of all file formats, generated from the model: `python -m soakd.config.schemas FOLDER`."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from soakd.model.configuration import Configuration
from soakd.model.drill import DrillReport
from soakd.model.plan import Plan
from soakd.model.sheet import Sheet
from soakd.model.statement import Envelope, Statement
from soakd.model.verdict import Verdict
from soakd.model.virtual import VirtualBench

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schemas() -> dict[str, dict[str, Any]]:
    """File name to schema. What a tuner writes as he writes it, a verdict as soakd writes it."""
    written = {
        "bench.schema.json": VirtualBench.model_json_schema(mode="validation"),
        "configuration.schema.json": Configuration.model_json_schema(mode="validation"),
        "drill.schema.json": DrillReport.model_json_schema(mode="serialization"),
        "envelope.schema.json": Envelope.model_json_schema(mode="serialization"),
        "plan.schema.json": Plan.model_json_schema(mode="validation"),
        "sheet.schema.json": Sheet.model_json_schema(mode="validation"),
        "statement.schema.json": Statement.model_json_schema(mode="serialization"),
        "verdict.schema.json": Verdict.model_json_schema(mode="serialization"),
    }
    return {name: {"$schema": _DIALECT, **schema} for name, schema in written.items()}


def text(schema: dict[str, Any]) -> str:
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    for name, schema in schemas().items():
        (Path(sys.argv[1]) / name).write_text(text(schema), encoding="utf-8")
