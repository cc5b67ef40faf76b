"""The daemon's queue without its processes, on a real journal, with a clock that only moves when told to."""

from soakd.clock import FakeClock, utc_text
from soakd.model.entry import EntryAsk
from soakd.model.plan import GuardRules, Plan, Stage
from soakd.rules.gather import Gatherer
from soakd.rules.judge import judge
from soakd.service.dispatcher import Dispatcher
from soakd.service.due import Dues
from soakd.service.operations import Operations
from soakd.service.session import UNITS
from soakd.store.journal import Journal
from soakd.store.queue import Queue, claimed, run_ended
from soakd.store.writer import Writer

EVENING = 1_795_550_400.0
"""2026-11-24 20:00 UTC, 21:00 in Berlin."""


def plan(name="P", **stage):
    parts = {"name": "s", "workload": "integer", "duration": 2.0, **stage}
    return Plan(version=1, name=name, guard=GuardRules(temperature="if-available"), stages=(Stage(**parts),))


class Bench:
    """The daemon's parts without its processes: runs end when the test says so, with the outcome it says."""

    def __init__(self, path):
        self.clock = FakeClock(wall=EVENING)
        self.told = []
        self.writer = Writer(path)
        self.queue = Queue(self.writer)
        self.journal = Journal(self.writer)
        self.dues = Dues(self.clock)
        self.operations = Operations(self.queue, self.clock, self.dues, "Europe/Berlin")
        self.dispatcher = self.reborn()

    def reborn(self):
        self.dispatcher = Dispatcher(
            self.queue, self.dues, self.clock, lambda news: self.told.append((news.occasion, news.body))
        )
        return self.dispatcher

    def add(self, name="P", **ask):
        return self.operations.add(EntryAsk(plan=plan(name), **ask)).entry_id

    def state(self, entry_id):
        return self.queue.find(entry_id).state

    def start(self):
        """What starts now, as the daemon does it; None when nothing may."""
        start = self.dispatcher.next_start()
        if start is None:
            return None
        self.journal.begin(start.record, start.entry.entry_id, claim=[claimed(start.entry)])
        return start

    def end(self, start, outcome="pass"):
        """The run ends; evidence without a single round can only be inconclusive, so the outcome is set by hand."""
        evidence = Gatherer(start.record, UNITS).evidence(
            finished_utc=utc_text(self.clock.wall()), same_boot=True, suspended_s=0.0, snapshot_after=None
        )
        verdict = judge(start.record, evidence).model_copy(update={"outcome": outcome})
        entry = self.queue.find(start.entry.entry_id)
        due_utc = self.dues.after_run(entry, start.record.started_utc)
        self.journal.finish(verdict, entry=[run_ended(entry, start.record.run_id, due_utc)])
        self.dispatcher.run_ended(self.queue.find(entry.entry_id), outcome)

    def run(self, outcome="pass"):
        """Start and end one run; the plan's name, or None when nothing may start."""
        start = self.start()
        if start is None:
            return None
        self.end(start, outcome)
        return start.record.plan.name

    def hours(self, hours):
        self.clock.advance(3600.0 * hours)
