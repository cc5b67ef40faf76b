"""Orders to the crew and its answers, one JSON line each.

A worker's line stays under PIPE_BUF, so that writes from many workers into one pipe never mix (pipe(7)).
"""

from __future__ import annotations

import json
import os
import select
from dataclasses import asdict, dataclass
from typing import Any

from soakd.model.crew import CrewEvent, CrewPrepared, CrewRefused, WorkerExited, WorkerReady, WorkerWrong
from soakd.model.pattern import STEADY, Pattern
from soakd.model.plug import Plug

LONGEST_TEXT_BYTES = 1000
_WRITER = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepareOrder:
    """Build these kernels and try their known answers."""

    programs: tuple[tuple[str, str], ...]
    """Workload and instruction class."""
    drill: bool
    """Only a crew that was started for a drill will plant a fault."""
    issue_order: str | None = None
    """This machine's own, for the kernels that take one."""
    plugs: tuple[Plug, ...] = ()
    """Whose workloads are among the programs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantedFlip:
    """A drill's deliberate fault: which bit, in which round of which core, while which workload runs."""

    workload: str
    core: int
    round: int
    bit: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StageOrder:
    """Fork one pinned worker per core and get them ready."""

    workload: str
    instruction_class: str
    cores: tuple[int, ...]
    pattern: Pattern = STEADY
    memory_percent: float | None = None
    flip: PlantedFlip | None = None


_EVENTS = {
    kind.__name__: kind for kind in (CrewPrepared, CrewRefused, WorkerReady, WorkerWrong, WorkerExited)
}  # CrewLost is what the reader makes of the pipe's end


def encode_order(order: PrepareOrder | StageOrder) -> bytes:
    return _line({"order": type(order).__name__, **asdict(order)})


def decode_order(line: bytes) -> PrepareOrder | StageOrder:
    raw = json.loads(line)
    if raw.pop("order") == PrepareOrder.__name__:
        programs = tuple((kind, name) for kind, name in raw["programs"])
        return PrepareOrder(**{**raw, "programs": programs, "plugs": tuple(Plug(**each) for each in raw["plugs"])})
    flip = raw.pop("flip")
    cores, pattern = tuple(raw.pop("cores")), Pattern(**raw.pop("pattern"))
    return StageOrder(**raw, cores=cores, pattern=pattern, flip=PlantedFlip(**flip) if flip else None)


def encode_event(event: CrewEvent) -> bytes:
    """An event's values are plain: nothing that would have to be taken apart."""
    return _line({"event": type(event).__name__} | {name: getattr(event, name) for name in event.__slots__})


def decode_event(line: bytes) -> CrewEvent:
    raw = json.loads(line)
    event: CrewEvent = _EVENTS[raw.pop("event")](**raw)
    return event


def send(descriptor: int, event: CrewEvent) -> bool:
    """A worker's line: at once or not at all, so that a full pipe never stalls it. Its slot counts all the same."""
    line = encode_event(event)
    try:
        return len(line) <= select.PIPE_BUF and os.write(descriptor, line) == len(line)
    except BlockingIOError:
        return False


def send_surely(descriptor: int, event: CrewEvent) -> None:
    """The crew parent's line: waits for room, because nothing else would tell what it tells."""
    line = encode_event(event)
    while line:
        try:
            line = line[os.write(descriptor, line[: select.PIPE_BUF]) :]
        except BlockingIOError:
            select.select([], [descriptor], [])


def cut(text: str) -> str:
    """No longer than a line can carry, whatever it is written in."""
    return text.encode()[:LONGEST_TEXT_BYTES].decode(errors="ignore")


def _line(document: dict[str, Any]) -> bytes:
    return _WRITER.encode(document).encode() + b"\n"
