"""What is asked of whoever rehearses, and what it answers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal, Protocol

from pydantic import Field

from soakd.model.base import Value

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.report.rehearsed_view import RehearsedView

INVENTED = "invented"
"""Key of the virtual bench that no file describes."""
NO_SHEET = "-"
"""For a rehearsal of the virtual bench's own settings."""
_KEY = r"^(own|shipped)/[^/\x00]{1,200}$"


class RehearsalAsk(Value):
    """A stored plan on a virtual bench."""

    plan: Annotated[str, Field(pattern=_KEY)]
    """Key of a stored plan: own/NAME or shipped/NAME."""
    sheet: Annotated[str, Field(pattern=_KEY)] | None = None
    """Key of a stored sheet; without one the virtual bench has its own settings."""
    bench: Annotated[str, Field(pattern=rf"^{INVENTED}$|{_KEY}")] = INVENTED
    """Key of a virtual bench; `invented` for the one that no file describes."""
    seed: Annotated[int, Field(ge=0, le=2**53 - 1)] = 1
    """Another seed is another silicon."""


class RehearsalState(Value):
    """Where a rehearsal is."""

    rehearsal_id: str
    state: Literal["on", "done", "refused", "given-up"]
    share: Annotated[float, Field(ge=0.0, le=1.0)]
    """Of the plan's time that has been gone through."""
    text: str
    """The same in words; why, where there is no result."""


class RehearsalLine(Value):
    """One of a list."""

    state: RehearsalState
    ask: RehearsalAsk
    plan: str
    """Names; so are the next two."""
    sheet: str | None
    bench: str
    seed: int


class Rehearsing(Protocol):
    """Whoever does it: one at a time, the last few kept while the process lives."""

    async def begin(self, ask: RehearsalAsk) -> RehearsalState:
        """Raises ProblemError while one is on, ConfigError for what cannot be rehearsed."""

    def give_up(self, rehearsal_id: str) -> RehearsalState:
        """One that is on is ended. Raises ProblemError for one that is not known."""

    def state(self, rehearsal_id: str) -> RehearsalState:
        """Raises ProblemError for one that is not known."""

    def line(self, rehearsal_id: str) -> RehearsalLine:
        """Likewise."""

    def lines(self) -> Sequence[RehearsalLine]:
        """Newest first."""

    def view(self, rehearsal_id: str) -> RehearsedView | None:
        """None before it is done. Raises ProblemError for one that is not known."""

    def report(self, rehearsal_id: str) -> str | None:
        """The whole page; likewise."""
