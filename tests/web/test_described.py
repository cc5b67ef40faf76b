"""The API keeps to its own description, whatever is sent: random requests made from the description itself."""

import hypothesis
import pytest
import schemathesis
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
EXAMPLES = 30
OPERATIONS = [
    "GET /api/v1/status",
    "GET /api/v1/entries",
    "POST /api/v1/entries",
    "POST /api/v1/entries/check",
    "GET /api/v1/entries/{entry_id}",
    "POST /api/v1/entries/{entry_id}/hold",
    "POST /api/v1/entries/{entry_id}/release",
    "POST /api/v1/entries/{entry_id}/cancel",
    "POST /api/v1/entries/{entry_id}/place",
    "POST /api/v1/stop",
    "GET /api/v1/drill",
    "POST /api/v1/drill",
    "GET /api/v1/verdicts",
    "GET /api/v1/verdicts/{run_id}",
    "GET /api/v1/verdicts/{run_id}/envelope",
    "GET /api/v1/verdicts/{run_id}/readings",
    "POST /api/v1/rehearsals",
    "GET /api/v1/rehearsals/{rehearsal_id}",
    "POST /api/v1/rehearsals/{rehearsal_id}/give-up",
]
STREAM = "GET /api/v1/events"
"""Has no end, so it is tested elsewhere."""


@pytest.fixture(scope="module")
def bearer(shared):
    return {"Authorization": f"Bearer {shared.tokens['operate']}"}


@pytest.fixture(scope="module")
def schema(shared, bearer):
    """Over TCP, through the door."""
    return schemathesis.openapi.from_url(f"http://{shared.api.tcp}/api/v1/openapi.json", headers=bearer)


def test_every_operation_is_tried(schema):
    found = {f"{method.upper()} {path}" for path, methods in schema.raw_schema["paths"].items() for method in methods}
    assert found == {*OPERATIONS, STREAM}


@pytest.mark.parametrize("operation", OPERATIONS)
def test_every_answer_is_as_described(schema, bearer, operation):
    method, path = operation.split()
    seen = []

    @hypothesis.settings(
        max_examples=EXAMPLES,
        deadline=None,
        derandomize=True,
        database=None,
        suppress_health_check=list(hypothesis.HealthCheck),
        phases=[hypothesis.Phase.explicit, hypothesis.Phase.generate],
    )
    @hypothesis.given(case=schema[path][method].as_strategy())
    def check(case):
        seen.append(case.call_and_validate(headers=bearer, checks=CHECKS).status_code)

    check()
    assert seen
    assert set(seen) <= {200, 201, 404, 409, 415, 422}
