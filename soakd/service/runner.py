"""The daemon's runs: starts what the dispatcher says, keeps and judges it, and tells what came of it.

At most one run at a time. Whatever the journal cannot take now is tried again; meanwhile nothing new is started.
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import structlog

from soakd.errors import StoreError
from soakd.model.entry import Window
from soakd.model.journal import Found, LoadStopped, StageAnnounced
from soakd.report.live import Progress
from soakd.rules.cooling import STILL_HEATING
from soakd.rules.schedule import opening
from soakd.rules.telling import line_news, next_line, started_news, still_heating_news, stopped_news, verdict_news
from soakd.service.due import zone
from soakd.service.emergency import Emergency
from soakd.service.hook_keeper import HookKeeper
from soakd.service.logs import bind
from soakd.service.session import Session
from soakd.service.tuning import Tuner
from soakd.store.queue import claimed, run_ended

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import tzinfo

    from soakd.clock import Clock
    from soakd.model.configuration import Plugin
    from soakd.model.entry import Entry
    from soakd.model.finding import Finding
    from soakd.model.journal import Event
    from soakd.model.run import RunRecord
    from soakd.model.verdict import Verdict
    from soakd.rules.telling import News
    from soakd.service.dispatcher import Dispatcher, Start
    from soakd.service.due import Dues
    from soakd.service.home import Home
    from soakd.store.journal import Journal
    from soakd.store.queue import Queue

_log = structlog.get_logger(__name__)
STOP_PATIENCE_S = 10.0
"""How long a guard may take to end the load; then its process is killed, and the load with it."""
STORE_PATIENCE_S = 30.0
"""How long to wait before a journal that could not be written is tried again."""


class Runner:
    """Holds the run that goes on."""

    def __init__(
        self,
        home: Home,
        journal: Journal,
        queue: Queue,
        dispatcher: Dispatcher,
        dues: Dues,
        clock: Clock,
        tell: Callable[[News], object],
        own_zone: tzinfo,
        poke: Callable[[], None],
        plugins: Sequence[Plugin] = (),
    ) -> None:
        """`poke` wakes the loop; it is called from other threads. `plugins`: of the configuration."""
        self.session: Session | None = None
        self.entry: Entry | None = None
        self.progress: Progress | None = None
        self.judged: Callable[[Verdict], object] = lambda _: None
        """Called with every verdict."""
        self.emergency = Emergency()
        self._home = home
        self._journal = journal
        self._queue = queue
        self._dispatcher = dispatcher
        self._dues = dues
        self._clock = clock
        self._tell = tell
        self._zone = own_zone
        self._plugins = plugins
        self._stop_asked_s: float | None = None
        self._unkept: tuple[Verdict, Entry] | None = None
        self._again_s = 0.0
        self._stops = -1
        self._hooks = HookKeeper(queue, dispatcher, tell, poke)
        self._tuner = Tuner(home, clock, _log.info)

    @property
    def busy(self) -> bool:
        """A run goes on, or a hook does."""
        return self.session is not None or self._hooks.busy

    @property
    def guarding(self) -> bool:
        """A guard's loop turns; it speaks for itself then."""
        return self.session is not None and self.session.guarding

    def recover(self) -> None:
        """Settings that a hook had applied before this process began are taken back first."""
        self._hooks.recover()

    def start_next(self, stops: int, *, new: bool) -> None:
        """Start what may start now; without `new`, only finish what hooks have begun. `stops`: see Session.start."""
        self._stops = stops
        if not new:
            self._tuner.drop()
        if self.session is not None or self._clock.monotonic() < self._again_s:
            return
        try:
            if self._unkept is not None:
                self._keep(*self._unkept)
            applied = self._hooks.turn()
            if applied is not None:
                self._start_applied(applied)
            elif new and not self._hooks.busy and not self._tuner.turn():
                start = self._dispatcher.next_start()
                if start is not None and self._tuner.ready(_kernels(start.entry)):
                    self._start(start)
        except StoreError as error:
            self._again_s = self._clock.monotonic() + STORE_PATIENCE_S
            self._tell(line_news("not-started", error.message))

    def take(self) -> list[Event]:
        """What the guard of the present run has said; at its end the verdict is made and kept."""
        session = self.session
        if session is None:
            return []
        progress = self.progress
        events = session.take()
        if session.ended:
            events += self._end(session)
        for event in events:
            if progress is not None:
                progress.take(event)
            if isinstance(event, StageAnnounced):
                bind(run_id=session.record.run_id, stage=event.stage)
                _log.info("stage announced")
            if isinstance(event, Found):
                _log.warning("found", rule=event.finding.rule, text=event.finding.text, stops=event.stops)
                self._act_on(session.record, event.finding)
            if isinstance(event, LoadStopped):
                self._tell_stopped(session.record, event, progress.findings if progress else [])
        return events

    def ask_to_stop(self, rule: str, text: str) -> str | None:
        """Once; asking again changes nothing. Returns the run's identifier."""
        if self.session is None:
            return None
        if self._stop_asked_s is None:
            self.session.stop(rule, text)
            self._stop_asked_s = self._clock.monotonic()
        return self.session.record.run_id

    def keep_going(self) -> None:
        """A window that has closed ends its run; a guard whose load does not end is not asked any more."""
        self._hear_of_action()
        if self.session is None:
            return
        self.session.watch_guard()
        if self._window_is_over():
            self.ask_to_stop("window-closed", "the window of this entry has closed")
        asked_s, load_gone = self._stop_asked_s, self.session.load_gone
        if asked_s is not None and not load_gone and self._clock.monotonic() - asked_s > STOP_PATIENCE_S:
            self.session.kill()

    def _act_on(self, record: RunRecord, finding: Finding) -> None:
        """A bench that heats without a load of ours: what the tuner has configured, and a message that nothing holds
        back.
        """
        if finding.rule == STILL_HEATING:
            action = self.emergency.act(record, finding)
            if action is not None:
                _log.error("still heating with the load gone", text=finding.text, action=action)
                self._tell(still_heating_news(record, finding, action))

    def _hear_of_action(self) -> None:
        outcome = self.emergency.outcome()
        if outcome is not None:
            _log.warning("action is over", outcome=outcome)
            self._tell(line_news("stopped", outcome))

    def _start(self, start: Start) -> None:
        if start.record is None:
            self._hooks.apply(start.entry)
        else:
            self._begin(start.entry, start.record)

    def _start_applied(self, entry: Entry) -> None:
        """The hook says that the settings are in effect; the snapshot must not contradict that."""
        record = self._dispatcher.drafted(entry)
        if record is None:
            self._hooks.undo()
        else:
            self._begin(entry, record)

    def _begin(self, entry: Entry, record: RunRecord) -> None:
        order, cautions = self._tuner.order(_kernels(entry)), (*record.cautions, *self._journal.ready_to_sign())
        record = record.model_copy(update={"issue_order": order, "cautions": cautions})
        session = Session(record, self._home, self._journal, self._clock)
        session.start(self._stops, plugins=self._plugins, entry_id=entry.entry_id, claim=[claimed(entry)])
        self.session, self.progress = session, Progress(record)
        self.entry = self._queue.find(entry.entry_id)
        self._stop_asked_s = None
        bind(run_id=record.run_id)
        _log.info("run begun", plan=record.plan.name, fingerprint=record.fingerprint)
        self._tell(started_news(record, self._dues.now(), self._zone))

    def _end(self, session: Session) -> list[Event]:
        entry = self.entry
        if entry is None:
            raise RuntimeError("a run of the daemon belongs to an entry")
        judged, added = session.judge(entry, self._dues.after_run(entry, session.record.started_utc))
        self.session = self.entry = self.progress = None
        if judged.unkept is None:
            self._dispatcher.run_ended(self._queue.find(entry.entry_id), judged.verdict.outcome)
        else:
            self._unkept = (judged.verdict, entry)
            self._again_s = self._clock.monotonic() + STORE_PATIENCE_S
        self.judged(judged.verdict)
        _log.info("run judged", outcome=judged.verdict.outcome, reasons=[r.rule for r in judged.verdict.reasons])
        bind(run_id=None)
        self._tell(verdict_news(judged.verdict, follows=self._next_line()))
        self._hooks.undo()
        return added

    def _keep(self, verdict: Verdict, entry: Entry) -> None:
        """A verdict that the journal could not take before. Raises StoreError when it still cannot."""
        due_utc = self._dues.after_run(entry, verdict.started_utc)
        self._journal.finish(verdict, entry=[run_ended(entry, verdict.run_id, due_utc)])
        self._unkept = None
        self._dispatcher.run_ended(self._queue.find(entry.entry_id), verdict.outcome)

    def _tell_stopped(self, record: RunRecord, event: LoadStopped, findings: list[Finding]) -> None:
        why = findings[-1] if findings else None
        self._tell(
            stopped_news(
                record,
                why,
                after_s=event.at_s,
                stage=why.stage if why else None,
                gone_s=event.gone_s,
                survivors=event.survivors,
            )
        )

    def _next_line(self) -> str:
        upcoming = self._queue.upcoming()
        plan, due = (upcoming.plan, datetime.fromisoformat(upcoming.due_utc)) if upcoming else (None, None)
        return next_line(plan, due, self._dues.now(), self._zone)

    def _window_is_over(self) -> bool:
        when = self.entry.when if self.entry is not None else None
        if not isinstance(when, Window) or when.at_end != "stop":
            return False
        now = self._dues.now()
        return opening(when, now, zone(when.zone))[0] > now


def _kernels(entry: Entry) -> tuple[str, ...]:
    return tuple(stage.kernel for stage in entry.plan.stages)
