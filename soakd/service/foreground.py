"""One run in the foreground, from file names to a verdict in the ledger."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from soakd.config.files import load_plan, load_sheet
from soakd.config.shipped import find
from soakd.service.draft import draft_run
from soakd.service.session import Judged, Session, judge_orphans
from soakd.store.journal import Journal
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
    with home.bench_lock():
        writer = Writer(home.journal)
        journal = Journal(writer)
        try:
            for verdict in judge_orphans(journal, clock):
                reporter.orphan(verdict)
            home.keep_reserve()
            reporter.starting(record)
            return Session(record, home, journal, clock, flip=request.flip).run(reporter.event)
        finally:
            writer.close()
