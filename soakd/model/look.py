"""A first look at a bench: what it shows, what its guard would do, and what its keeper should know."""

from __future__ import annotations

import json
from typing import Literal

from soakd.model.base import Value
from soakd.model.snapshot import Snapshot


class SeenChannel(Value):
    """One sensor input."""

    name: str
    role: str
    why: str
    """What gave it its role, in words."""
    given: bool = False
    """The tuner gave it, in soakd.toml."""
    others: tuple[str, ...] = ()
    """Roles that it could be given instead."""
    text: str = ""
    """The reading with its unit; empty for a gap."""
    gap: str | None = None

    @property
    def quoted(self) -> str:
        """Its name as a key of TOML: a basic string is a JSON string where all can be printed."""
        return json.dumps(self.name, ensure_ascii=False)


class SeenLimit(Value):
    """What a guard would hold the bench against, where a plan says nothing more."""

    what: str
    says: str
    """What it does and when: stops above 90 °C."""
    origin: str


class SeenCheck(Value):
    """One answer of `soakd doctor`."""

    name: str
    state: Literal["good", "weak", "bad"]
    text: str
    remedy: str = ""


class Look(Value):
    """All of it, as it was at one moment."""

    taken_utc: str
    channels: tuple[SeenChannel, ...]
    limits: tuple[SeenLimit, ...]
    cautions: tuple[str, ...] = ()
    """What the guard could not watch."""
    checks: tuple[SeenCheck, ...] = ()
    sheet: str
    """A sheet to be filled in, as TOML."""
    filled: tuple[str, ...] = ()
    """What the bench has filled in there: "processor: cores"."""
    snapshot: Snapshot


class DraftedPlan(Value):
    """A plan that was drafted from a sheet."""

    text: str
    """As TOML, with what each stage is for."""
    about: tuple[str, ...] = ()
    """What a run of it would show, and what it would not."""
    refused: str | None = None
    """Why this bench would not start it as it is now."""
