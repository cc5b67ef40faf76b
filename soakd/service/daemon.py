"""`soakd serve`: what runs on the bench for months. One loop in the main thread that never waits for anybody.

It alone writes the journal. The guard of a run and the API are processes of their own: an API that dies or hangs leaves
the soak running, a guard that dies leaves the API answering and the load dead, and both die with this process.
"""

from __future__ import annotations

import json
import os
import selectors
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from soakd.errors import SoakdError, StateError
from soakd.model.entry import EntryAsk
from soakd.rules.standing import standing
from soakd.rules.telling import came_back_news, line_news, verdict_news
from soakd.sensors.snapshot import take_snapshot
from soakd.service.alarm import Alarm
from soakd.service.api_link import ApiLink
from soakd.service.bench_key import BenchKey
from soakd.service.dispatcher import Dispatcher
from soakd.service.drilling import Drilling
from soakd.service.due import Dues, local_zone, zone
from soakd.service.emergency import Emergency
from soakd.service.housekeeping import Housekeeping
from soakd.service.manager import ServiceManager
from soakd.service.measures import Measures
from soakd.service.operations import Operations
from soakd.service.orphans import judge_orphans
from soakd.service.runner import Runner
from soakd.service.signals import SignalPipes
from soakd.service.status import StatusMaker
from soakd.service.telling import Teller
from soakd.store.journal import Journal
from soakd.store.outbox import Outbox
from soakd.store.queue import Queue
from soakd.store.writer import Writer

if TYPE_CHECKING:
    from collections.abc import Callable

    from soakd.clock import Clock
    from soakd.model.configuration import Configuration
    from soakd.model.entry import Entry
    from soakd.rules.standing import Standing
    from soakd.service.home import Home

TURN_S = 0.5
MEASURE_EVERY_S = 5.0
READY_PATIENCE_S = 10.0
"""Ready is who can be asked; but an API that cannot start does not keep a bench from soaking."""


class Daemon:
    """Build it with the bench lock held; `run` returns after a signal, with the load gone and everything on record."""

    def __init__(self, home: Home, configuration: Configuration, clock: Clock) -> None:
        self._home = home
        self._clock = clock
        self._writer = Writer(home.journal)
        self._journal = Journal(self._writer, BenchKey(home.key))
        self._queue = Queue(self._writer)
        self._dues = Dues(clock)
        self._teller = Teller(Outbox(self._writer), configuration, clock)
        roles, plugins = configuration.roles, configuration.plugins
        self._dispatcher = Dispatcher(
            self._queue, self._dues, clock, self._teller.tell, roles, configuration.guard.watchdog, plugins
        )
        own_zone = configuration.zone or local_zone()
        self._runner = Runner(
            home,
            self._journal,
            self._queue,
            self._dispatcher,
            self._dues,
            clock,
            self._teller.tell,
            zone(own_zone),
            self._poke,
            plugins,
        )
        self._operations = Operations(self._queue, clock, self._dues, own_zone, roles, plugins)
        self._housekeeping = Housekeeping(
            self._writer, configuration, own_zone, self._dues, clock, self._teller, self._look_at_standing
        )
        self._statuses = StatusMaker(self._queue, clock)
        self._measures = Measures(self._queue, self._teller, clock)
        self._runner.judged = self._measures.judged
        self._runner.emergency = Emergency(configuration.guard.when_still_heating, self._poke)
        self._drilling = Drilling(home, clock)
        self._measured_s = float("-inf")
        self._api = ApiLink(home, configuration, clock)
        self._manager = ServiceManager()
        self._poke_read, self._poke_write = os.pipe()
        os.set_blocking(self._poke_write, False)
        self._alarm = Alarm(self._poke)
        self._standing: Standing | None = None
        self._sequence = int(clock.wall()) * 1000  # goes on from where an earlier daemon was, for watchers that resume
        self._stopping = False
        self._ready_by_s: float | None = None

    def run(self) -> None:
        """Until a signal says stop."""
        self._journal.ready_to_sign()
        for verdict in judge_orphans(self._journal, self._queue, self._clock, self._home, self._dues.after_run):
            went_down = any(reason.rule == "machine-went-down" for reason in verdict.reasons)
            self._teller.tell(came_back_news(verdict) if went_down else verdict_news(verdict))
        self._dispatcher.machine_started()
        self._runner.recover()
        self._home.keep_reserve()
        self._look_at_standing()
        self._alarm.start()
        self._api.start()
        self._ready_by_s = self._clock.monotonic() + READY_PATIENCE_S
        try:
            with SignalPipes() as signals:
                while self._runner.busy or self._drilling.on or not self._stopping:
                    self._turn(signals)
        finally:
            self._manager.say(STOPPING=1)
            self._alarm.stop()
            self._api.stop()
            self._writer.close()

    def _turn(self, signals: SignalPipes) -> None:
        """Wait for whatever comes first, take it, start what may start."""
        session, ready = self._runner.session, self._wait(signals)
        if signals.read_end in ready:
            self._stopping = True
            self._runner.ask_to_stop("service-stopped", f"the daemon was stopped ({signals.take().name})")
            self._drilling.stop()
        if self._poke_read in ready:
            os.read(self._poke_read, 4096)
        if session is not None and session in ready:
            self._on_session()
        if self._drilling in ready:
            self._drilling.take()
            self._push_drill()
        if self._api in ready:
            for line in self._api.take():
                self._api.push(reply=line.get("id"), **self._answer(line))
        self._start_next(signals.guard_end)
        self._runner.keep_going()
        self._drilling.keep_going()
        if self._api.start_again_if_due():
            self._push_drill()
        self._push_status()
        self._teller.collect()
        progress = self._runner.progress
        idle = "drilling" if self._drilling.on else "waiting"
        doing = idle if progress is None else f"soaking: {progress.record.plan.name}"
        self._manager.say(**({} if self._runner.guarding else {"WATCHDOG": 1}), STATUS=doing)
        if self._ready_by_s is not None and (self._api.listening or self._clock.monotonic() > self._ready_by_s):
            self._ready_by_s = None
            self._manager.say(READY=1)

    def _wait(self, signals: SignalPipes) -> list[object]:
        """Who has something to say."""
        api, drilling = self._api if self._api.alive else None, self._drilling if self._drilling.on else None
        with selectors.DefaultSelector() as selector:
            for source in (signals.read_end, self._poke_read, self._runner.session, api, drilling):
                if source is not None:
                    selector.register(source, selectors.EVENT_READ)
            return [key.fileobj for key, _ in selector.select(TURN_S)]

    def _start_next(self, stops: int) -> None:
        self._runner.start_next(stops, new=not self._stopping and not self._drilling.on)
        upcoming = self._queue.upcoming()
        self._alarm.set("next", upcoming.due_utc if upcoming else None)
        self._alarm.set("daily", self._housekeeping.due_utc)
        if not self._runner.busy and not self._drilling.on:
            self._housekeeping.turn()

    def _on_session(self) -> None:
        session = self._runner.session
        for event in self._runner.take():
            self._sequence += 1
            self._measures.event(event)
            run_id = session.record.run_id if session else ""
            self._api.push(event=event.model_dump(mode="json"), run_id=run_id, seq=self._sequence)
        if self._runner.session is None:
            self._look_at_standing()

    def _look_at_standing(self) -> None:
        """At the start, after every run, and once a day: is the bench as it is now covered by a pass?"""
        was = self._standing
        self._standing = standing(self._journal.newest_of_passed(), take_snapshot())
        lost = self._standing is not None and not self._standing.covered and (was is None or was.covered)
        if lost and self._standing is not None:
            text = f"{self._standing.line} {'; '.join(self._standing.differs)}"
            self._teller.tell(line_news("standing-lost", text))

    def _answer(self, line: dict[str, Any]) -> dict[str, Any]:
        """What the API asked for, or why not."""
        try:
            return {"ok": self._do(line["verb"], line.get("arguments", {}))}
        except SoakdError as error:
            return {"error": {"code": error.code, "message": error.message, "hint": error.hint}}
        except (ValidationError, KeyError, TypeError) as error:
            return {"error": {"code": "config", "message": str(error), "hint": ""}}

    def _do(self, verb: str, arguments: dict[str, Any]) -> dict[str, Any]:
        if verb == "stop":
            reason = arguments.get("reason") or "no reason given"
            run_id = self._runner.ask_to_stop("stopped-by-hand", f"stopped by hand: {reason}")
            return {"run_id": run_id, **({"drill": True} if self._drilling.stop() else {})}
        if verb == "drill":
            return self._drill(**arguments)
        if verb == "check":
            ask = EntryAsk.model_validate_json(json.dumps(arguments))
            return self._operations.check(ask).model_dump(mode="json")
        if verb == "add":
            entry = self._operations.add(EntryAsk.model_validate_json(json.dumps(arguments)))
        else:
            steps: dict[str, Callable[..., Entry]] = {
                "hold": self._operations.hold,
                "release": self._operations.release,
                "cancel": self._operations.cancel,
                "reorder": self._operations.reorder,
            }
            entry = steps[verb](**arguments)
        return entry.model_dump(mode="json")

    def _drill(self, names: list[str]) -> dict[str, Any]:
        """Begin it; nothing else is started until it has ended. Raises StateError while the bench is in use."""
        if self._runner.busy or self._stopping:
            why = "the daemon is being stopped" if self._stopping else "a run or a hook goes on"
            raise StateError(f"{why}: drills need the bench for themselves", hint="wait for its end, or stop it")
        call = self._drilling.begin(names)
        self._push_drill()
        self._push_status()  # before the answer: whoever has it may look at once
        return call.model_dump(mode="json")

    def _push_drill(self) -> None:
        if self._drilling.call is not None:
            self._api.push(drill=self._drilling.call.model_dump(mode="json"))

    def _push_status(self) -> None:
        entry, drill = self._runner.entry, self._drilling.status
        status = self._statuses.make(self._runner.progress, entry.entry_id if entry else None, self._standing, drill)
        self._api.push(status=status.model_dump(mode="json"))
        if self._clock.monotonic() - self._measured_s >= MEASURE_EVERY_S:
            self._measured_s = self._clock.monotonic()
            self._api.push(metrics=self._measures.text(self._runner.progress, self._standing))

    def _poke(self) -> None:
        """From any thread: there is something to look at. A full pipe has been heard already."""
        try:
            os.write(self._poke_write, b".")
        except BlockingIOError:
            return
