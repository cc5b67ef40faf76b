"""After a stop: reads on until the bench has cooled. The load is gone, and why is on its way to the journal already."""

from __future__ import annotations

import contextlib
import queue
from typing import TYPE_CHECKING

from soakd.engine.messages import StopAsked
from soakd.model.channels import Batch
from soakd.model.journal import Cooling, Found

if TYPE_CHECKING:
    from collections.abc import Callable

    from soakd.clock import Clock
    from soakd.engine.messages import Message
    from soakd.ports import Sink
    from soakd.rules.guard import Decision, Guard

LONGEST_TURN_S = 0.1


def watch_cooling(
    guard: Guard,
    inbox: queue.SimpleQueue[Message],
    sink: Sink,
    clock: Clock,
    *,
    tick_s: float,
    turn: Callable[[float], object],
) -> None:
    """Until nothing is left to be watched, or somebody asks for the end. `turn` is called at every turn of the loop."""

    def say(decisions: list[Decision]) -> None:
        for decision in decisions:
            sink.put(Found(at_s=clock.monotonic() - guard.begun_s, finding=decision.finding, stops=False))

    values: dict[str, float] = {}
    told_s = clock.monotonic()
    while not guard.cooled(now_s := clock.monotonic()):
        turn(now_s)
        if now_s - told_s >= tick_s:
            told_s += tick_s * ((now_s - told_s) // tick_s)
            sink.put(Cooling(at_s=now_s - guard.begun_s, values=values))
        message: Message | None = None
        with contextlib.suppress(queue.Empty):
            message = inbox.get(timeout=min(LONGEST_TURN_S, tick_s))
        if isinstance(message, StopAsked):
            break
        if isinstance(message, Batch):
            read, found = guard.cooling(message)
            values |= read
            say(found)
    ended_s = clock.monotonic()
    say(guard.watched_cooling(ended_s))
    if values:
        sink.put(Cooling(at_s=ended_s - guard.begun_s, values=values))
