"""One run in the foreground, from file names to a verdict in the ledger."""

from __future__ import annotations

import selectors
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from soakd.config.files import load_plan, load_sheet
from soakd.config.shipped import find
from soakd.model.journal import Found
from soakd.rules.cooling import STILL_HEATING
from soakd.service.bench_key import BenchKey
from soakd.service.draft import draft_run
from soakd.service.due import Dues
from soakd.service.emergency import Emergency
from soakd.service.orphans import judge_orphans
from soakd.service.session import Judged, Session
from soakd.service.signals import SignalPipes
from soakd.service.tuning import issue_order
from soakd.store.journal import Journal
from soakd.store.queue import Queue
from soakd.store.writer import Writer

if TYPE_CHECKING:
    from soakd.clock import Clock
    from soakd.crew.wire import PlantedFlip
    from soakd.model.channels import Role
    from soakd.model.configuration import Plugin
    from soakd.model.journal import Event
    from soakd.model.run import RunRecord
    from soakd.model.verdict import Verdict
    from soakd.service.home import Home


class Reporter(Protocol):
    """Who is told what goes on."""

    def orphan(self, verdict: Verdict) -> None:
        """A run that an earlier process left behind has been judged."""

    def note(self, line: str) -> None:
        """Something that a person at the bench should know."""

    def starting(self, record: RunRecord) -> None:
        """All is checked; nothing is loaded yet."""

    def event(self, event: Event) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What somebody wants to have run."""

    plan: str
    """A file, or the name of a plan that travels with soakd."""
    sheet: str | None = None
    drill: bool = False
    flip: PlantedFlip | None = None
    """Makes the run a drill."""
    roles: dict[str, Role] = field(default_factory=dict)
    """What the tuner says of channels, by their full names."""
    plugins: tuple[Plugin, ...] = ()
    watchdog: str | None = None
    """Device of the hardware watchdog to arm."""
    when_still_heating: tuple[str, ...] = ()
    """What to run when the bench still heats after a stop."""


def run_once(request: Request, home: Home, clock: Clock, reporter: Reporter) -> Judged:
    """Refuses before it starts, or ends in a verdict. Raises SoakdError for everything that is refused."""
    plan_path = find(request.plan, "plans")
    plan = load_plan(plan_path)
    sheet = load_sheet(find(request.sheet, "sheets")) if request.sheet else None
    record = draft_run(
        plan,
        sheet,
        plan_file=str(plan_path),
        clock=clock,
        drill=request.drill or request.flip is not None,
        roles=request.roles,
        plugins=request.plugins,
        watchdog=request.watchdog,
    )
    emergency = Emergency(request.when_still_heating)
    home.make()
    with SignalPipes() as signals, home.bench_lock():
        writer = Writer(home.journal)
        try:
            journal = Journal(writer, BenchKey(home.key))
            cautions = (*record.cautions, *journal.ready_to_sign())
            for verdict in judge_orphans(journal, Queue(writer), clock, home, Dues(clock).after_run):
                reporter.orphan(verdict)
            home.keep_reserve()
            order = issue_order((stage.kernel for stage in plan.stages), home, clock, reporter.note)
            record = record.model_copy(update={"issue_order": order, "cautions": cautions})
            reporter.starting(record)
            session = Session(record, home, journal, clock)
            session.start(signals.guard_end, flip=request.flip, plugins=request.plugins)
            _follow(session, signals, reporter, emergency)
            judged, added = session.judge()
            for event in added:
                reporter.event(event)
            emergency.wait()
            _note(reporter, emergency.outcome())
            return judged
        finally:
            writer.close()


def _follow(session: Session, signals: SignalPipes, reporter: Reporter, emergency: Emergency) -> None:
    """To the guard's last word. It hears every signal by itself: the first one ends the load, the next one the watch
    over the bench as it cools. Where the load is not known to be gone after a second one, nobody is asked any more.
    """
    heard = 0
    with selectors.DefaultSelector() as selector:
        selector.register(session, selectors.EVENT_READ)
        selector.register(signals.read_end, selectors.EVENT_READ)
        while not session.ended:
            ready = [key.fileobj for key, _ in selector.select(1.0)]
            if signals.read_end in ready:
                signals.take()
                heard += 1
                if heard > (2 if session.load_gone else 1):
                    session.kill()
            if session in ready:
                for event in session.take():
                    reporter.event(event)
                    if isinstance(event, Found) and event.finding.rule == STILL_HEATING:
                        _note(reporter, emergency.act(session.record, event.finding))
            session.watch_guard()


def _note(reporter: Reporter, line: str | None) -> None:
    if line is not None:
        reporter.note(line)
