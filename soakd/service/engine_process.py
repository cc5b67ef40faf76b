"""The guard's own process: samples, decides, and does nothing else.

Started as `python -m soakd.service.engine_process PARENT SOCKET`. Two JSON lines in: what to run, and a drill's
fault or null. JSON lines out: what happens. It holds neither the journal nor the screen, so that a slow disk or
terminal cannot delay a stop.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import socket
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

from soakd.clock import SystemClock
from soakd.crew.kinship import die_with_parent
from soakd.crew.priority import outrank_load
from soakd.crew.process import CrewProcess
from soakd.crew.wire import PlantedFlip
from soakd.engine.conductor import Conductor, Confirmed, Message, StopAsked
from soakd.model.run import RunRecord
from soakd.rules.guard import Guard
from soakd.sensors.sampler import ThreadedSampler
from soakd.service import bench

if TYPE_CHECKING:
    from typing import BinaryIO

    from soakd.model.journal import Event

_FLUSH_DEADLINE_S = 10.0


class SocketSink:
    """Sends events from a thread of its own; putting one in never waits."""

    def __init__(self, channel: socket.socket) -> None:
        self._channel = channel
        self._waiting: queue.SimpleQueue[Event | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._send, name="sink", daemon=True)
        self._thread.start()

    def put(self, event: Event) -> None:
        self._waiting.put(event)

    def backlog(self) -> int:
        return self._waiting.qsize()

    def flush(self) -> None:
        self._waiting.put(None)
        self._thread.join(_FLUSH_DEADLINE_S)

    def _send(self) -> None:
        while (event := self._waiting.get()) is not None:
            try:
                self._channel.sendall(event.model_dump_json().encode() + b"\n")
            except OSError:
                return  # the other end is gone, and this process dies with it


def listen(lines: BinaryIO, inbox: queue.SimpleQueue[Message]) -> None:
    """Commands from the parent, until it closes its end."""
    for line in lines:
        command = json.loads(line)
        if "confirmed" in command:
            inbox.put(Confirmed(stage=command["confirmed"]))
        else:
            inbox.put(StopAsked(rule=command["rule"], text=command["text"]))


def own_cost() -> tuple[float, float]:
    """Processor seconds and peak MiB of this process. VmHWM of proc(5), because ru_maxrss survives exec."""
    fields = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text(encoding="utf-8").splitlines())
    return time.process_time(), int(fields["VmHWM"].split()[0]) / 1024.0


def main() -> None:
    parent, descriptor = (int(argument) for argument in sys.argv[1:3])
    die_with_parent(parent)
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)  # a stop comes through the parent, which may have more to do first
    channel = socket.socket(fileno=descriptor)
    lines = channel.makefile("rb")
    record = RunRecord.model_validate_json(lines.readline())
    flip = json.loads(lines.readline())
    conduct(record, PlantedFlip(**flip) if flip else None, channel, lines)


def conduct(record: RunRecord, flip: PlantedFlip | None, channel: socket.socket, lines: BinaryIO) -> None:
    """Build every part from what this bench has, and run."""
    clock = SystemClock()
    inbox: queue.SimpleQueue[Message] = queue.SimpleQueue()
    crew = CrewProcess(len(record.cores), inbox.put, flip=flip)
    sink = SocketSink(channel)
    priority = outrank_load()
    sources = bench.sources(clock)
    channels = bench.channels(sources, record.cores)
    guard = Guard(record.plan, channels, record.bounds, begun_s=clock.monotonic(), suspended_s=clock.suspended())
    sampler = ThreadedSampler(sources, tick_s=record.plan.guard.tick_s, clock=clock, on_thread_start=outrank_load)
    threading.Thread(target=listen, args=(lines, inbox), name="commands", daemon=True).start()
    try:
        Conductor(
            record,
            guard=guard,
            crew=crew,
            sampler=sampler,
            inbox=inbox,
            sink=sink,
            clock=clock,
            priority=priority,
            cost=own_cost,
        ).run()
        sink.flush()
    finally:
        with contextlib.suppress(OSError):
            crew.close()


if __name__ == "__main__":
    main()
    os._exit(0)  # a sensor thread may hang in a driver; nothing is left to be saved here
