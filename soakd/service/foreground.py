"""One run in the foreground, from file names to a verdict in the ledger."""

from __future__ import annotations

import selectors
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from soakd.config.files import load_plan, load_sheet
from soakd.config.shipped import find
from soakd.service.draft import draft_run
from soakd.service.due import Dues
from soakd.service.orphans import judge_orphans
from soakd.service.session import Judged, Session
from soakd.service.signals import SignalPipes
from soakd.store.journal import Journal
from soakd.store.queue import Queue
from soakd.store.writer import Writer

if TYPE_CHECKING:
    from soakd.clock import Clock
    from soakd.crew.wire import PlantedFlip
    from soakd.model.journal import Event
    from soakd.model.run import RunRecord
    from soakd.model.verdict import Verdict
    from soakd.service.home import Home


class Reporter(Protocol):
    """Who is told what goes on."""

    def orphan(self, verdict: Verdict) -> None:
        """A run that an earlier process left behind has been judged."""

    def starting(self, record: RunRecord) -> None:
        """All is checked; nothing is loaded yet."""

    def event(self, event: Event) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What somebody wants to have run."""

    plan: str
    """A file, or the name of a plan that travels with soakd."""
    sheet: str | None = None
    flip: PlantedFlip | None = None
    """Makes the run a drill."""


def run_once(request: Request, home: Home, clock: Clock, reporter: Reporter) -> Judged:
    """Refuses before it starts, or ends in a verdict. Raises SoakdError for everything that is refused."""
    plan_path = find(request.plan, "plans")
    plan = load_plan(plan_path)
    sheet = load_sheet(find(request.sheet, "sheets")) if request.sheet else None
    record = draft_run(plan, sheet, plan_file=str(plan_path), clock=clock, drill=request.flip is not None)
    home.make()
    with SignalPipes() as signals, home.bench_lock():
        writer = Writer(home.journal)
        try:
            journal = Journal(writer)
            for verdict in judge_orphans(journal, Queue(writer), clock, Dues(clock).after_run):
                reporter.orphan(verdict)
            home.keep_reserve()
            reporter.starting(record)
            session = Session(record, home, journal, clock)
            session.start(signals.guard_end, flip=request.flip)
            _follow(session, signals, reporter)
            judged, added = session.judge()
            for event in added:
                reporter.event(event)
            return judged
        finally:
            writer.close()


def _follow(session: Session, signals: SignalPipes, reporter: Reporter) -> None:
    """To the guard's last word. It hears the first signal by itself; after a second one nobody is asked any more."""
    heard = 0
    with selectors.DefaultSelector() as selector:
        selector.register(session, selectors.EVENT_READ)
        selector.register(signals.read_end, selectors.EVENT_READ)
        while not session.ended:
            ready = [key.fileobj for key, _ in selector.select(1.0)]
            if signals.read_end in ready:
                signals.take()
                heard += 1
                if heard > 1:
                    session.kill()
            if session in ready:
                for event in session.take():
                    reporter.event(event)
            session.watch_guard()
