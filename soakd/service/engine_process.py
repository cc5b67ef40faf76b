"""The guard's own process: samples, decides, and does nothing else.

Started as `python -m soakd.service.engine_process PARENT SOCKET STOPS WORDS LIFELINE`. Three JSON lines in: what to
run, a drill's fault or null, the plugins. JSON lines out: what happens. It holds neither the journal nor the screen, so
that a slow disk or terminal cannot delay a stop. LIFELINE is only held: its closing tells the limiter that this process
is gone.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import resource
import signal
import socket
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

from soakd.clock import SystemClock
from soakd.crew.kinship import die_with_parent
from soakd.crew.lifeline import Lifeline
from soakd.crew.priority import outrank_load
from soakd.crew.process import CrewProcess
from soakd.crew.wire import PlantedFlip
from soakd.engine.conductor import Conductor
from soakd.engine.messages import Confirmed, Message, StopAsked
from soakd.errors import RefusedError
from soakd.model.channels import Channel, Role
from soakd.model.configuration import heard
from soakd.model.run import RunRecord
from soakd.rules.guard import Guard
from soakd.sensors.sampler import ThreadedSampler
from soakd.sensors.throttling import throttles
from soakd.service import bench
from soakd.service.plugins import workloads_in
from soakd.service.pulse import Pulse

if TYPE_CHECKING:
    from typing import BinaryIO

    from soakd.clock import Clock
    from soakd.model.configuration import Plugin
    from soakd.model.journal import Event


class SocketSink:
    """Sends events from a thread of its own; putting one in never waits."""

    def __init__(self, channel: socket.socket, clock: Clock) -> None:
        self._channel = channel
        self._clock = clock
        self._waiting: queue.SimpleQueue[tuple[float, Event] | None] = queue.SimpleQueue()
        self._sending_since_s: float | None = None
        self._thread = threading.Thread(target=self._send, name="sink", daemon=True)
        self._thread.start()

    def put(self, event: Event) -> None:
        self._waiting.put((self._clock.monotonic(), event))

    def behind_s(self) -> float:
        """Age of the event that is on its way; 0 when none is."""
        since_s = self._sending_since_s
        return 0.0 if since_s is None else self._clock.monotonic() - since_s

    def flush(self) -> None:
        """Without a deadline: the load is gone by now, and the last words are worth waiting for."""
        self._waiting.put(None)
        self._thread.join()

    def _send(self) -> None:
        while (item := self._waiting.get()) is not None:
            self._sending_since_s, event = item
            try:
                self._channel.sendall(event.model_dump_json().encode() + b"\n")
            except OSError:
                return  # the other end is gone, and this process dies with it
            self._sending_since_s = None


def listen_for_signals(stops: int, inbox: queue.SimpleQueue[Message]) -> None:
    """Signals that our parent was sent, one byte each: they arrive here even while the parent is held up."""
    outrank_load()
    while byte := os.read(stops, 1):
        name = signal.Signals(byte[0]).name
        inbox.put(StopAsked(rule="stopped-by-hand", text=f"stopped by hand ({name})"))


def listen(lines: BinaryIO, inbox: queue.SimpleQueue[Message]) -> None:
    """Commands from the parent, until it closes its end."""
    outrank_load()
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
    parent, descriptor, stops, words, lifeline = (int(argument) for argument in sys.argv[1:6])
    die_with_parent(parent)
    os.set_inheritable(lifeline, False)  # noqa: FBT003 - whoever else held it would seem to be the guard
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGTSTP):
        signal.signal(number, signal.SIG_IGN)  # stops come through the parent's pipe
    raise_descriptor_limit()
    channel = socket.socket(fileno=descriptor)
    lines = channel.makefile("rb")
    record = RunRecord.model_validate_json(lines.readline())
    flip = json.loads(lines.readline())
    plugins = heard(lines.readline())
    conduct(record, PlantedFlip(**flip) if flip else None, plugins, channel, lines, stops, Lifeline(words))


def conduct(
    record: RunRecord,
    flip: PlantedFlip | None,
    plugins: tuple[Plugin, ...],
    channel: socket.socket,
    lines: BinaryIO,
    stops: int,
    lifeline: Lifeline,
) -> None:
    """Build every part from what this bench has, and run. The record says which channels there are."""
    clock = SystemClock()
    inbox: queue.SimpleQueue[Message] = queue.SimpleQueue()
    priority = outrank_load()
    plugs = [plugin.plug for plugin in workloads_in(record.plan, plugins)]
    crew = CrewProcess(len(record.cores), inbox.put, flip=flip, plugs=plugs, on_thread_start=outrank_load)
    sink = SocketSink(channel, clock)
    channels = [Channel(name=c.name, role=Role(c.role), critical=c.critical) for c in record.channels]
    sampler = ThreadedSampler(
        bench.sources(clock, plugins), tick_s=record.plan.guard.tick_s, clock=clock, on_thread_start=outrank_load
    )
    for target, source in ((listen, lines), (listen_for_signals, stops)):
        threading.Thread(target=target, args=(source, inbox), daemon=True).start()
    pulse = Pulse(record, lifeline, clock)
    try:
        have_watched(pulse, crew.pid, sink, inbox)
        conductor = Conductor(
            record,
            guard=Guard(record.plan, channels, record.bounds, begun_s=clock.monotonic(), suspended_s=clock.suspended()),
            crew=crew,
            sampler=sampler,
            inbox=inbox,
            sink=sink,
            clock=clock,
            priority=priority,
            cost=own_cost,
            throttles=throttles,
        )
        conductor.pulse = pulse.turn
        conductor.run()
        if crew.kill() == 0:
            pulse.end()
        sink.flush()
    finally:
        with contextlib.suppress(OSError):
            crew.close()


def have_watched(pulse: Pulse, crew_pid: int, sink: SocketSink, inbox: queue.SimpleQueue[Message]) -> None:
    """Nothing is loaded before everybody watches who has to; who does not is the first thing that the loop hears of."""
    try:
        sink.put(pulse.begin(crew_pid))
    except RefusedError as error:
        inbox.put(StopAsked(rule="not-started", text=error.message))


def raise_descriptor_limit() -> None:
    """One descriptor for each worker: the usual soft limit would not do for a thousand cores."""
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))


if __name__ == "__main__":
    main()
    os._exit(0)  # a sensor thread may hang in a driver; nothing is left to be saved here
