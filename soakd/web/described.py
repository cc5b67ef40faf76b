"""The API's description of itself (OpenAPI), from the same values that it reads and writes."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from fastapi.openapi.utils import get_openapi
from pydantic import TypeAdapter

from soakd.model.drill import DrillCall, Drills
from soakd.model.entry import Checked, Entry, EntryAsk
from soakd.model.statement import Envelope
from soakd.model.verdict import Verdict
from soakd.store.ledger import LedgerLine
from soakd.store.queue import EntryLine
from soakd.web.bodies import DrillAsk, Nothing, Place, StopAsk, Stopping
from soakd.web.problems import PROBLEM
from soakd.web.rehearsals import RehearsalAsk, RehearsalState
from soakd.web.status import Status

if TYPE_CHECKING:
    from fastapi import FastAPI
    from pydantic.json_schema import JsonSchemaMode

_TAKEN: dict[str, Any] = {
    "EntryAsk": EntryAsk,
    "RehearsalAsk": RehearsalAsk,
    "Nothing": Nothing,
    "Place": Place,
    "StopAsk": StopAsk,
    "DrillAsk": DrillAsk,
}
_GIVEN: dict[str, Any] = {
    "RehearsalState": RehearsalState,
    "Status": Status,
    "Entry": Entry,
    "Checked": Checked,
    "EntryLine": EntryLine,
    "Verdict": Verdict,
    "Envelope": Envelope,
    "LedgerLine": LedgerLine,
    "Stopping": Stopping,
    "Drills": Drills,
    "DrillCall": DrillCall,
}
_LISTS = {"EntryLines": ("entries", "EntryLine"), "VerdictLines": ("verdicts", "LedgerLine")}
_TEXTS = {"events": "text/event-stream", "readings": "text/csv"}
_REFUSALS = {
    400: "No HTTP request that can be understood.",
    401: "No token, or none that is known.",
    403: "The caller may not do this.",
    404: "There is none.",
    409: "Not as it stands now.",
    413: "The body is too large.",
    415: "The body is not JSON.",
    422: "The words are off, or the bench refuses.",
    429: "Too many requests; Retry-After says when to come back.",
    503: "The journal cannot be read, or the daemon does not answer.",
}
_ANYWHERE = (401, 403, 413, 429)


def answers(name: str, *refusals: int, created: bool = False) -> dict[int | str, dict[str, Any]]:
    """The answers of a route, for its description."""
    kind = _TEXTS.get(name, "application/json")
    schema = {"type": "string"} if name in _TEXTS else {"$ref": f"#/components/schemas/{name}"}
    problem = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
    found: dict[int | str, dict[str, Any]] = {
        code: {"description": _REFUSALS[code], "content": problem} for code in sorted({*_ANYWHERE, *refusals})
    }
    found[201 if created else 200] = {"description": "Done.", "content": {kind: {"schema": schema}}}
    return found


def taking(name: str) -> dict[str, Any]:
    """The body of a route, for its description."""
    schema = {"$ref": f"#/components/schemas/{name}"}
    problem = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
    return {
        "requestBody": {"required": name in {"EntryAsk", "Place"}, "content": {"application/json": {"schema": schema}}},
        "responses": {"415": {"description": _REFUSALS[415], "content": problem}},
    }


@cache
def _schemas() -> dict[str, Any]:
    kinds: list[tuple[str, JsonSchemaMode, TypeAdapter[Any]]] = [
        *((name, "validation", TypeAdapter(kind)) for name, kind in _TAKEN.items()),
        *((name, "serialization", TypeAdapter(kind)) for name, kind in _GIVEN.items()),
    ]
    places, document = TypeAdapter.json_schemas(kinds, ref_template="#/components/schemas/{model}")
    schemas: dict[str, Any] = dict(document.get("$defs", {}))
    for (name, _), schema in places.items():
        if name not in schemas:
            schemas[name] = schema
    for name, (key, line) in _LISTS.items():
        lines = {"type": "array", "items": {"$ref": f"#/components/schemas/{line}"}}
        schemas[name] = {"type": "object", "required": [key], "properties": {key: lines}}
    schemas["Problem"] = PROBLEM
    return schemas


def describe(app: FastAPI) -> dict[str, Any]:
    """The whole document."""
    document: dict[str, Any] = get_openapi(
        title=app.title, version=app.version, description=app.description, routes=app.routes
    )
    components = document.setdefault("components", {})
    components["schemas"] = _schemas()
    components["securitySchemes"] = {
        "token": {"type": "http", "scheme": "bearer", "description": "Only on TCP: `soakd token add NAME` makes one."}
    }
    document["security"] = [{"token": []}]
    for path in document["paths"].values():
        for operation in path.values():
            ok = operation["responses"].get("200", {})
            if "201" in operation["responses"] and "content" not in ok:
                operation["responses"].pop("200", None)
    return document
