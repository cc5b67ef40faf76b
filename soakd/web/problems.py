"""Refusals as problem details (RFC 9457): the message is `detail`, with `code` and `hint` beside it."""

from __future__ import annotations

from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from starlette.responses import JSONResponse

from soakd.errors import SoakdError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fastapi.exceptions import RequestValidationError
    from pydantic import ValidationError

STATUS_OF = {
    "usage": HTTPStatus.UNPROCESSABLE_ENTITY,
    "refused": HTTPStatus.UNPROCESSABLE_ENTITY,
    "config": HTTPStatus.UNPROCESSABLE_ENTITY,
    "unsupported": HTTPStatus.UNPROCESSABLE_ENTITY,
    "workload": HTTPStatus.UNPROCESSABLE_ENTITY,
    "permission": HTTPStatus.FORBIDDEN,
    "state": HTTPStatus.CONFLICT,
    "store": HTTPStatus.SERVICE_UNAVAILABLE,
    "unreachable": HTTPStatus.SERVICE_UNAVAILABLE,
}
"""What a SoakdError's code becomes; any other is our bug."""
PROBLEM = {
    "type": "object",
    "description": "Problem details as RFC 9457 has them.",
    "required": ["type", "title", "status", "detail", "code", "hint"],
    "properties": {
        "type": {"type": "string", "const": "about:blank"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string", "description": "What went wrong, in one line."},
        "code": {"type": "string", "description": "What kind of refusal it is, for machines."},
        "hint": {"type": "string", "description": "What would help; empty if nothing is known to."},
    },
}


class ProblemError(Exception):
    """A request that is answered with a refusal."""

    def __init__(
        self,
        status: HTTPStatus,
        code: str,
        message: str,
        *,
        hint: str = "",
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(message)
        self.status = status
        self.code = code
        self.message = message
        self.hint = hint
        self.headers = headers


class DaemonRefusedError(SoakdError):
    """What the daemon answered instead of doing it, with the code that it gave."""

    def __init__(self, code: str, message: str, *, hint: str = "") -> None:
        super().__init__(message, hint=hint)
        self.code = code


def response(problem: ProblemError) -> JSONResponse:
    document = {
        "type": "about:blank",
        "title": problem.status.phrase,
        "status": int(problem.status),
        "detail": problem.message,
        "code": problem.code,
        "hint": problem.hint,
    }
    return JSONResponse(
        document, status_code=problem.status, headers=problem.headers, media_type="application/problem+json"
    )


def of_error(error: SoakdError) -> ProblemError:
    status = STATUS_OF.get(error.code, HTTPStatus.INTERNAL_SERVER_ERROR)
    return ProblemError(status, error.code, error.message, hint=error.hint)


def of_validation(error: ValidationError | RequestValidationError) -> ProblemError:
    """The first thing that is wrong, and how many more there are."""
    found = error.errors()
    first: Any = found[0]
    place = ".".join(str(part) for part in first["loc"]) or "the body"
    more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
    text = f"{place}: {first['msg'].removeprefix('Value error, ')}{more}"
    return ProblemError(
        HTTPStatus.UNPROCESSABLE_ENTITY, "usage", text, hint="/api/v1/openapi.json says what is taken here"
    )
