"""A drill's run seen from outside: who is who in it, what it says, and when the last process of its load is gone."""

from __future__ import annotations

import json
import os
import select
import signal
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final

import psutil

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from soakd.clock import Clock
    from soakd.service.drill.drills import Moment
    from soakd.service.drill.tree import Tree

STOPPING: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
"""What a person, or a system that shuts down, sends to end the drills."""
_LOOK_S: Final = 0.02
_LOADED_TICKS: Final = 2
START_S: Final = 60.0
"""How long a run may take until its load is there: kernels are built and tried first."""
END_S: Final = 30.0
"""And from the end of its load to its verdict."""
GONE_S: Final = 15.0
"""How long the last of its processes may take to go after that."""


class Live:
    """Close it, whatever happens: nothing of the run is left then."""

    def __init__(self, pid: int, heard: int, *, folder: Path, tree: Tree, clock: Clock) -> None:
        self.keeper = pid
        """The process that keeps the journal; the others appear with the load."""
        self.guard = self.limiter = self.crew = 0
        self.workers: list[int] = []
        self.folder = folder
        self.tree = tree
        self.words: list[dict[str, Any]] = []
        self.begun_s = 0.0
        """When it was injected."""
        self._clock = clock
        self._heard = heard
        self._pending = b""
        self._silent = False
        self._all: dict[int, int] = {}
        self._watch(pid)

    def mark(self) -> None:
        """What is injected is injected now."""
        self.begun_s = self._clock.monotonic()

    def since_s(self) -> float:
        return self._clock.monotonic() - self.begun_s

    def reached(self, moment: Moment) -> bool:
        """Waits for it; false where it will not come."""

        def there() -> bool:
            return self._there(moment)

        return self.wait(lambda: there() or self._silent, START_S) and there()

    def _there(self, moment: Moment) -> bool:
        if moment == "load" and self.heard("tick") < _LOADED_TICKS:
            return False
        if moment == "worker" and not self.heard("stage-announced"):
            return False  # what the crew forks before that is no worker
        self._listen(0.0)
        self._meet()
        return bool({"guard": self.guard, "crew": self.crew}.get(moment, self.workers))

    def heard(self, what: str, **more: str) -> int:
        """How often it has said so."""
        self._listen(0.0)
        return len(self.said(what, **more))

    def said(self, what: str, **more: str) -> list[dict[str, Any]]:
        return [word for word in self.words if word["what"] == what and more.items() <= word.items()]

    def load_gone(self) -> bool:
        self._listen(0.0)
        return not self._living([self.crew, *self.workers])

    def wait(self, true: Callable[[], bool], most_s: float) -> bool:
        """Whether it became true in this time."""
        until_s = self._clock.monotonic() + most_s
        while not true():
            if self._clock.monotonic() >= until_s:
                return False
            self._clock.sleep(_LOOK_S)
        return True

    def ended(self) -> bool:
        """The process that keeps the journal has ended."""
        self._listen(0.0)
        return not self._living([self.keeper])

    def left(self) -> list[int]:
        """Processes of the run that are still there after a while."""
        self.wait(lambda: not self._living(self._all), GONE_S)
        return self._living(self._all)

    def send(self, number: signal.Signals, *pids: int) -> None:
        for pid in pids:
            with suppress(ProcessLookupError):
                os.kill(pid, number)

    def close(self) -> None:
        """Kill whatever is left of it, and wait until it is gone; no signal comes in between."""
        before = signal.pthread_sigmask(signal.SIG_BLOCK, STOPPING)
        try:
            self._close()
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)

    def _close(self) -> None:
        if self._living([self.keeper]):
            self._meet()
        for descriptor in self._all.values():
            with suppress(OSError):
                signal.pidfd_send_signal(descriptor, signal.SIGKILL)
        self.wait(lambda: not self._living(self._all), GONE_S)
        if not self._living([self.keeper]):
            os.waitpid(self.keeper, 0)
        for descriptor in self._all.values():
            os.close(descriptor)
        self._all.clear()
        os.close(self._heard)

    def _meet(self) -> None:
        """Who is who among the processes below the keeper."""
        with suppress(psutil.NoSuchProcess):
            for process in psutil.Process(self.keeper).children(recursive=True):
                with suppress(psutil.NoSuchProcess):
                    self._name(process.pid, process.ppid(), " ".join(process.cmdline()))

    def _name(self, pid: int, parent: int, command: str) -> None:
        """A process that has just been forked still bears its parent's command."""
        self._watch(pid)
        if "limiter.py" in command:
            self.limiter = pid
        elif "engine_process" in command and parent == self.keeper:
            self.guard = pid
        elif "soakd.crew.child" in command and parent == self.guard:
            self.crew = pid
        elif "soakd.crew.child" in command and parent == self.crew and pid not in self.workers:
            self.workers.append(pid)

    def _watch(self, pid: int) -> None:
        """A descriptor stands for that one process, whoever is given its number later."""
        if pid not in self._all:
            with suppress(ProcessLookupError):
                self._all[pid] = os.pidfd_open(pid)

    def _living(self, pids: Iterable[int]) -> list[int]:
        poll = select.poll()
        known = {self._all[pid]: pid for pid in pids if pid in self._all}
        for descriptor in known:
            poll.register(descriptor, select.POLLIN)
        ended = {descriptor for descriptor, _ in poll.poll(0)}
        return [pid for descriptor, pid in known.items() if descriptor not in ended]

    def _listen(self, wait_s: float) -> None:
        while not self._silent and select.select([self._heard], [], [], wait_s)[0]:
            chunk = os.read(self._heard, 65_536)
            self._silent = not chunk
            *lines, self._pending = (self._pending + chunk).split(b"\n")
            self.words += [json.loads(line) for line in lines]
