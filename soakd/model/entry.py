"""A queued request: plan + sheet + when. Copied at add; a file edited later changes nothing that is queued."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from soakd.model.base import Value
from soakd.model.plan import Plan
from soakd.model.quantities import DurationS
from soakd.model.sheet import Sheet

WallTime = Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")]
"""A time of day as a clock on the wall shows it, 23:00."""


class Now(Value):
    """As soon as the bench is free."""

    kind: Literal["now"] = "now"


class At(Value):
    """Once, at a moment; late rather than never, up to a day."""

    kind: Literal["at"] = "at"
    local: str
    """What was asked for, as the wall clock there shows it."""
    zone: str
    """IANA time zone that it was asked in."""
    instant_utc: str
    """The moment that this was resolved to when it was added."""


class Cron(Value):
    """Again and again, by five fields; weekdays by name only, because two conventions number them."""

    kind: Literal["cron"] = "cron"
    expression: str
    zone: str


class Window(Value):
    """Once in every opening of a daily window, as often as `count` says."""

    kind: Literal["window"] = "window"
    opens: WallTime
    closes: WallTime
    zone: str
    at_end: Literal["stop", "carry-on"] = "stop"
    """What becomes of a run that still goes on when the window closes."""


class AtBoot(Value):
    """After the next start of the machine and a settling time, if the bench then shows what the sheet declares."""

    kind: Literal["at-boot"] = "at-boot"
    settle_s: DurationS = Field(default=120.0, alias="settle")
    not_before_boot: str
    """Boot identifier at the time of adding: it runs in another boot than this one."""
    follows: str | None = None
    """Entry that has to be done before, in an earlier boot: a trial of a series that needs a reboot in between."""


class After(Value):
    """When another entry is done."""

    kind: Literal["after"] = "after"
    entry_id: str
    only_after_pass: bool = True


When = Annotated[Now | At | Cron | Window | AtBoot | After, Field(discriminator="kind")]


class Hook(Value):
    """A program of the tuner's that brings settings into effect while the system runs, and takes them back.

    Called as `COMMAND apply`, `COMMAND confirm` and `COMMAND undo`, with the sheet as JSON on its standard input.
    `confirm` prints a JSON object of what is in effect, in the sheet's terms.
    """

    command: Annotated[tuple[Annotated[str, Field(min_length=1)], ...], Field(min_length=1, max_length=20)]
    """An absolute path and its arguments; no shell is involved."""
    timeout_s: DurationS = Field(default=30.0, alias="timeout")
    """For each call; one that takes longer is killed with everything it started."""


class EntryState(StrEnum):
    """Where an entry is."""

    WAITING = "waiting"
    HELD = "held"
    RUNNING = "running"
    DONE = "done"
    CANCELLED = "cancelled"
    MISSED = "missed"


class EntryRequest(Value):
    """What somebody asks to have queued."""

    plan: Plan
    sheet: Sheet | None = None
    when: When = Now()
    priority: Annotated[int, Field(ge=-100, le=100)] = 0
    """Higher goes first among those that may start."""
    count: Annotated[int, Field(ge=1, le=1000)] | None = 1
    """How many runs the entry asks for; None goes on until it is cancelled."""
    series: Annotated[str, Field(min_length=1, max_length=120)] | None = None
    """Entries of one series; the first that does not pass cancels the rest where `stop-series` says so."""
    stop_series: bool = Field(default=False, alias="stop-series")
    hook: Hook | None = None


class EntryAsk(Value):
    """The same as a person asks for it, before times are resolved; at most one of the ways to say when."""

    plan: Plan
    sheet: Sheet | None = None
    at: str | None = None
    """The next "23:00", or that very "2026-11-25 23:00"."""
    cron: str | None = None
    """Five fields, weekdays by name: "0 23 * * fri"."""
    window: Annotated[str, Field(pattern=r"^\d\d:\d\d-\d\d:\d\d$")] | None = None
    """Opens and closes every day, "23:00-07:00"."""
    at_end: Literal["stop", "carry-on"] = Field(default="stop", alias="at-end")
    at_boot: bool = Field(default=False, alias="at-boot")
    settle_s: DurationS = Field(default=120.0, alias="settle")
    after: str | None = None
    """Identifier of another entry."""
    after_any: bool = Field(default=False, alias="after-any")
    """Start after it even if its last run did not pass."""
    zone: str | None = None
    """IANA time zone; the bench's own if not given."""
    priority: Annotated[int, Field(ge=-100, le=100)] = 0
    count: Annotated[int, Field(ge=1, le=1000)] | None = None
    """How many runs; if not given 1, and without end for cron and window."""
    series: Annotated[str, Field(min_length=1, max_length=120)] | None = None
    stop_series: bool = Field(default=False, alias="stop-series")
    hook: Hook | None = None

    @model_validator(mode="after")
    def _one_time(self) -> Self:
        given = [name for name in ("at", "cron", "window", "at_boot", "after") if getattr(self, name)]
        if given not in ([], [*given[:1]], ["at_boot", "after"]):
            raise ValueError(f"{given[1].replace('_', '-')}: only one of at, cron, window, at-boot and after")
        if self.hook is not None and self.sheet is None:
            raise ValueError("hook: it applies a sheet, and there is none")
        return self


class Entry(EntryRequest):
    """A request with its place in the queue and what has become of it."""

    entry_id: str
    created_utc: str
    place: int
    """Order among entries of one priority; smaller goes first."""
    state: EntryState = EntryState.WAITING
    due_utc: str | None = None
    """Earliest moment of the next start; None while that hangs on an event."""
    runs_done: int = 0
    last_run: str | None = None
    reason: str | None = None
    """Why it is held, missed or cancelled, in words."""


class Checked(Value):
    """What a request would become if it were queued now; nothing of it is kept."""

    when: When
    due_utc: str | None
    """Earliest start; None while that hangs on an event."""
    count: int | None
    """Runs; None goes on without end."""
    cautions: tuple[str, ...] = ()
    """What is to be known before, without being refused."""
