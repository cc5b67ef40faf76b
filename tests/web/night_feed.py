"""A night on the virtual bench, told to the process of the API the way the daemon tells of a run: journal first."""

import json
import time

from fake_daemon import RUN
from virtual_parts import lantern, plan, sheet, stage

from soakd.clock import utc_text
from soakd.model.journal import StageAnnounced, Tick
from soakd.model.plan import Limit
from soakd.report.live import Progress
from soakd.service.rehearsal import rehearse
from soakd.service.virtual_record import draft
from soakd.store.journal import Journal
from soakd.store.journal import _tick as tick_row
from soakd.store.writer import Writer

RUN_ID = "0123456789ab"
BEGAN = "2026-03-28T22:10:00.000Z"
STAGES = (
    stage(name="Heat", duration_s=600.0),
    stage(name="One core after another", workload="integer", pattern="walking", dwell_s=20.0, duration_s=300.0),
    stage(name="Memory", workload="memory", memory_percent=20.0, duration_s=300.0),
    stage(name="Pulses", pattern="pulsed", period_s=0.02, on_percent=50.0, duration_s=100.0),
)
HOUR_S = 3600.0
DAY = (
    stage(name="Heat", duration_s=8 * HOUR_S),
    stage(name="One core after another", workload="integer", pattern="walking", dwell_s=60.0, duration_s=6 * HOUR_S),
    stage(name="Memory", workload="memory", memory_percent=20.0, duration_s=6 * HOUR_S),
    stage(name="Pulses", pattern="pulsed", period_s=0.02, on_percent=50.0, duration_s=4 * HOUR_S),
)
LIMITS = (Limit(of="cpu-temperature", above="90 °C"), Limit(of="coolant-temperature", above="45 °C"))


def night(stages=STAGES, bench=None, *, of=None, tick_s=2.0, limits=LIMITS, run_id=RUN_ID, began=BEGAN):
    """Record, events and verdict of a trial, which is the shipped one if it is not given."""
    wanted = plan(*stages, tick_s=tick_s, mismatches=8).model_copy(update={"limits": limits})
    about, of = bench or lantern(), of or sheet()
    record = draft(wanted, of, about, plan_file="trial", seed=1)
    record = record.model_copy(update={"run_id": run_id, "started_utc": began})
    events = []
    shown = rehearse(wanted, of, about, plan_file="trial", seed=1, also=events.append)
    verdict = shown.verdict.model_copy(update={"run_id": run_id, "started_utc": began})
    return record, events, verdict


class Feed:
    """Tells a night to a fake daemon, as far as it is asked to."""

    def __init__(self, daemon, told):
        self.daemon = daemon
        self.record, self.events, self.verdict = told
        self.writer = Writer(daemon.home / "journal.db")
        self.journal = Journal(self.writer)
        self.progress = Progress(self.record)
        self.place = 0
        self.entry_id = None

    def begin(self):
        self.journal.begin(self.record, self.entry_id)
        self._status()
        return self

    def until(self, at_s, *, pause_s=0.0):
        """Everything that happens before this moment of the run; a pause after each tick."""
        while self.place < len(self.events) and self.events[self.place].at_s < at_s:
            event = self.events[self.place]
            if isinstance(event, StageAnnounced) and self.place == self._first():
                self.journal.load_begins(self.record.run_id, event)
            else:
                self.journal.add(self.record, event)
            self.progress.take(event)
            self.place += 1
            if isinstance(event, Tick) and pause_s:
                self._tell(event)
                time.sleep(pause_s)
        self._tell(self.events[self.place - 1])
        self._status()
        return self

    def begin_late(self, at_s):
        """The process of the API hears of the run only when it has come so far; without a commit for each tick."""
        self.journal.begin(self.record, self.entry_id)
        last = next(n for n, event in enumerate(self.events) if event.at_s >= at_s) - 1
        ticks = []
        for number, event in enumerate(self.events[:last]):
            self.progress.take(event)
            if isinstance(event, Tick):
                ticks.append(tick_row(self.record, event))
            elif number == self._first():
                self.journal.load_begins(self.record.run_id, event)
            else:
                self.journal.add(self.record, event)
        self.writer.write(ticks)
        self.place = last
        return self.until(at_s)

    def finish(self):
        self.until(float("inf"))
        self.journal.finish(self.verdict)
        self.daemon.run = None
        self.daemon.push_status()
        return self

    def close(self):
        self.writer.close()

    def _first(self):
        return next(number for number, event in enumerate(self.events) if isinstance(event, StageAnnounced))

    def _tell(self, event):
        self.daemon.push(event=json.loads(event.model_dump_json()), run_id=self.record.run_id, seq=self.place)

    def _status(self):
        self.daemon.run = {
            **RUN,
            "run_id": self.record.run_id,
            "entry_id": self.entry_id or RUN["entry_id"],
            "plan": self.record.plan.name,
            "sheet": self.record.sheet.name,
            "stages": len(self.record.plan.stages),
            "elapsed_s": self.progress.elapsed_s,
            "remaining_s": self.progress.remaining_s,
            "rounds": self.progress.rounds,
            "mismatches": self.progress.mismatches,
            "nearest": None,
        }
        self.daemon.push_status(now_utc=utc_text(time.time()))
