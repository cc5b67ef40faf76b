"""What arrives in the engine's one queue, from sensors, crew, journal and whoever wants the load gone."""

from __future__ import annotations

from dataclasses import dataclass

from soakd.model.channels import Batch
from soakd.model.crew import CrewEvent


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmed:
    """The journal holds the announcement of this stage."""

    stage: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StopAsked:
    """Somebody wants the load gone; once it is, an end of the watch over the cooling bench."""

    rule: str
    text: str


Message = Batch | CrewEvent | Confirmed | StopAsked
