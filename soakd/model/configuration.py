"""soakd.toml: how the daemon lives on this bench. Everything has a default; an empty file is a valid one."""

from __future__ import annotations

from collections import Counter
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from soakd.model.base import Value
from soakd.model.entry import WallTime
from soakd.model.quantities import AgeS

Occasion = Literal["started", "stopped", "verdict", "came-back", "missed", "standing-lost", "not-started"]
"""What somebody can be told of.

started: a run has begun; stopped: the load was taken away before its time; verdict: a run has ended and was judged;
came-back: the bench is up again after it had gone down in a run; missed: an entry could not start in its time;
not-started: an entry was refused when its time came; standing-lost: the bench is no longer covered by a pass.
"""
QuietTime = Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d-([01]\d|2[0-3]):[0-5]\d$")]
"""From one time of day to another, through midnight where the second is the smaller: 23:00-07:00."""


class Api(Value):
    """Where the API listens."""

    socket: str | None = None
    """Path of the Unix socket; `soakd.sock` in the state folder if not given."""
    group: str | None = None
    """Members may use the socket; only the daemon's own user and root otherwise."""
    tcp: Annotated[str, Field(pattern=r"^(127\.0\.0\.1|\[::1\]):\d{1,5}$")] | None = None
    """Loopback address and port; needs a token. Off if not given."""
    hosts: tuple[str, ...] = ("localhost", "127.0.0.1", "[::1]")
    """Names by which the TCP address may be called; every other Host is refused."""


class Target(Value):
    """Somebody to be told."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    url: Annotated[str, Field(min_length=1)]
    """An address as apprise takes it: mailtos://…, json://… and many more. May hold a secret: keep the file 0600."""
    on: Annotated[tuple[Occasion, ...], Field(min_length=1)] = (
        "stopped", "verdict", "came-back", "missed", "not-started", "standing-lost",
    )  # fmt: skip
    only_bad: bool = Field(default=False, alias="only-bad")
    """Of verdicts, only those that are no pass."""
    quiet: QuietTime | None = None
    """Daily time in which nothing is sent; what happened then is sent when it is over."""

    @model_validator(mode="after")
    def _some_of_the_day_is_left(self) -> Self:
        if self.quiet is not None:
            begins, _, ends = self.quiet.partition("-")
            if begins == ends:
                raise ValueError("quiet: this would be the whole day; leave the target out instead")
        return self


class Retention(Value):
    """How long what is kept in full. Verdicts are kept for ever."""

    readings_s: AgeS = Field(default=30 * 86_400.0, alias="readings")
    """Older runs keep every tenth tick, and of each hour the ticks that hold each channel's extremes."""
    messages_s: AgeS = Field(default=90 * 86_400.0, alias="messages")
    """Messages that were sent or given up longer ago are deleted."""
    at: WallTime = "04:15"
    """When it is done; later if a run is on."""


class Configuration(Value):
    """The whole file."""

    version: Annotated[int, Field(ge=1, le=1)] = 1
    bench: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    """What messages call this bench; its host name if not given."""
    zone: str | None = None
    """IANA time zone for wall-clock times; the system's own if not given."""
    api: Api = Api()
    targets: tuple[Target, ...] = Field(default=(), alias="target")
    retention: Retention = Retention()

    @model_validator(mode="after")
    def _names_differ(self) -> Self:
        twice = [name for name, count in Counter(target.name for target in self.targets).items() if count > 1]
        if twice:
            raise ValueError(
                f'target: several are called "{twice[0]}"; messages are kept by name, so names must differ'
            )
        return self
