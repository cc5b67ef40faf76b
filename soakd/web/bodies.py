"""What a request may bring, and how it is read: strictly, as the published schema has it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, TypeVar

from pydantic import Field, ValidationError

from soakd.model.base import Value
from soakd.web import problems

if TYPE_CHECKING:
    from starlette.requests import Request

Body = TypeVar("Body", bound=Value)


class Nothing(Value):
    """Verbs that need no words: an empty body, or an empty object."""


class Place(Value):
    """Where an entry stands in the queue."""

    place: Annotated[int, Field(ge=0, le=1_000_000_000)]
    """A smaller one goes first among entries of one priority."""
    priority: Annotated[int, Field(ge=-100, le=100)]
    """Higher goes first among those that may start."""


class StopAsk(Value):
    """Why the run is to be stopped."""

    reason: Annotated[str, Field(max_length=500)] | None = None


class DrillAsk(Value):
    """Which drills are to be done."""

    names: Annotated[tuple[Annotated[str, Field(max_length=60)], ...], Field(max_length=200)] = ()
    """All of them if none is named."""


class Stopping(Value):
    """What was stopped."""

    run_id: str | None
    """The run whose load is being taken away; None if none was on."""
    drill: bool = False
    """A drill is being broken off."""


async def read(request: Request, kind: type[Body]) -> Body:
    """The body as JSON text straight into the value, so that nothing is guessed on the way. Raises ProblemError."""
    raw = await request.body()
    try:
        return kind.model_validate_json(raw or b"{}", by_alias=True, by_name=False)
    except ValidationError as error:
        raise problems.of_validation(error) from None
