"""soakd.toml: how the daemon lives on this bench. Everything has a default; an empty file is a valid one."""

from __future__ import annotations

import json
from collections import Counter
from typing import TYPE_CHECKING, Annotated, Final, Literal, Self

from pydantic import Field, JsonValue, TypeAdapter, model_validator

from soakd.model.base import Value
from soakd.model.channels import Role
from soakd.model.entry import WallTime
from soakd.model.plug import Plug, PluginKind
from soakd.model.quantities import AgeS, AnswerS, PluginMemoryMib

if TYPE_CHECKING:
    from collections.abc import Iterable

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


class Plugin(Value):
    """Somebody's code, which soakd runs in a process of its own."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")]
    """Its channels and its workload are called after it: plugin/NAME."""
    kind: PluginKind
    source: Annotated[str, Field(min_length=1, max_length=1000)]
    """The name of an entry point of an installed package, or the absolute path of a folder with a plugin.py."""
    options: dict[str, JsonValue] = Field(default_factory=dict)
    """For the plugin alone. May hold a secret: keep the file 0600."""
    answer_s: AnswerS | None = Field(default=None, alias="time-limit")
    """Sensors only: how long a reading may take, 500 ms if not given; what comes later is a gap."""
    memory_mib: PluginMemoryMib | None = Field(default=None, alias="memory")
    """Sensors only: what the plugin's process may use, 256 MiB if not given; beyond it, it is started afresh."""

    @property
    def plug(self) -> Plug:
        return Plug(name=self.name, kind=self.kind, source=self.source, options=dict(self.options))

    @model_validator(mode="after")
    def _parts_fit(self) -> Self:
        if self.kind != "sensors":
            for field in ("answer_s", "memory_mib"):
                if getattr(self, field) is not None:
                    raise ValueError(f"{type(self).model_fields[field].alias}: only sensors have it; leave it out here")
        if len(json.dumps(self.options)) > MOST_OPTIONS:
            raise ValueError(f"options: more than {MOST_OPTIONS} characters; name a file to the plugin instead")
        return self


MOST_OPTIONS: Final = 16_384
_PLUGINS: Final = TypeAdapter(tuple[Plugin, ...])


def told(plugins: Iterable[Plugin]) -> bytes:
    """For a process of ours that needs them, through a pipe; never for a file, as they may hold secrets."""
    return _PLUGINS.dump_json(tuple(plugins))


def heard(line: bytes) -> tuple[Plugin, ...]:
    """The other end of `told`."""
    return _PLUGINS.validate_json(line)


class OwnGuard(Value):
    """What stands behind the guard."""

    watchdog: Annotated[str, Field(pattern=r"^/dev/\S+$")] | None = None
    """Device of the hardware watchdog to arm while the load runs; off if not given."""
    when_still_heating: Annotated[
        tuple[Annotated[str, Field(min_length=1)], ...], Field(max_length=20, alias="when-still-heating")
    ] = ()
    """A program by its absolute path and its arguments, to be run when the bench still heats with the load gone."""


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
    guard: OwnGuard = OwnGuard()
    roles: dict[str, Role] = Field(default_factory=dict)
    """Full name of a channel to what it measures, where soakd cannot know or is wrong."""
    plugins: tuple[Plugin, ...] = Field(default=(), alias="plugin")

    @model_validator(mode="after")
    def _names_differ(self) -> Self:
        twice = _twice(target.name for target in self.targets)
        if twice:
            raise ValueError(f'target: several are called "{twice}"; messages are kept by name, so names must differ')
        twice = _twice(plugin.name for plugin in self.plugins)
        if twice:
            raise ValueError(f'plugin: several are called "{twice}"; channels are named by it, so names must differ')
        return self


def _twice(names: Iterable[str]) -> str | None:
    return next((name for name, count in Counter(names).items() if count > 1), None)
