"""Decides which entry starts next and what follows when a run has ended. Looks into the queue's table every time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.clock import utc_text
from soakd.errors import SoakdError
from soakd.model.entry import After, AtBoot, EntryState
from soakd.rules.entries import EntryEvent
from soakd.rules.telling import line_news
from soakd.sensors.snapshot import boot_id
from soakd.service.draft import draft_run

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from soakd.clock import Clock
    from soakd.model.channels import Role
    from soakd.model.configuration import Plugin
    from soakd.model.entry import Entry
    from soakd.model.run import RunRecord
    from soakd.rules.telling import News
    from soakd.service.due import Dues
    from soakd.store.queue import Queue


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """An entry whose time has come, and the run that is made of it."""

    entry: Entry
    record: RunRecord | None
    """None while the entry's hook has yet to bring its settings into effect."""


class Dispatcher:
    """All its steps are durable before they return; calling it twice does nothing twice."""

    def __init__(
        self,
        queue: Queue,
        dues: Dues,
        clock: Clock,
        tell: Callable[[News], object],
        roles: Mapping[str, Role] | None = None,
        watchdog: str | None = None,
        plugins: Sequence[Plugin] = (),
    ) -> None:
        """`roles`: what the tuner says of channels. `watchdog`: device of the hardware watchdog to arm in every run.

        `plugins`: of the configuration.
        """
        self._queue = queue
        self._dues = dues
        self._clock = clock
        self._tell = tell
        self._roles = roles
        self._watchdog = watchdog
        self._plugins = plugins

    def machine_started(self) -> None:
        """Entries that waited for another boot than the one they were added in get their due moment."""
        boot = boot_id()
        for entry in self._queue.hanging():
            if isinstance(entry.when, AtBoot) and self._may_run_in(entry.when, boot):
                self._queue.set_due(entry, utc_text(self._clock.wall() + entry.when.settle_s))

    def _may_run_in(self, when: AtBoot, boot: str) -> bool:
        """In a later boot than it was added in, and than the entry that it follows ran in."""
        if when.not_before_boot == boot:
            return False
        if when.follows is None:
            return True
        other = self._queue.find(when.follows)
        return other.state is EntryState.DONE and self._queue.boot_of(other.last_run) != boot

    def next_start(self) -> Start | None:
        """The entry that starts now. Those that cannot are missed, put off or held on the way, with the reason told."""
        self._follow_on()
        self._pass_over()
        while (entry := self._queue.startable(self._now())) is not None:
            if entry.hook is not None:
                return Start(entry=entry, record=None)
            if (record := self.drafted(entry)) is not None:
                return Start(entry=entry, record=record)
        return None

    def _pass_over(self) -> None:
        """Entries whose moment has come and gone are missed, or wait for another one, before any other starts."""
        now = self._now()
        for entry in self._queue.due(now):
            due, missed = self._dues.overdue(entry)
            if missed is not None:
                self._queue.move(entry, EntryEvent.MISS, missed)
                self._tell(line_news("missed", f"{entry.plan.name}: {missed}"))
            elif due is None or due > now:
                self._queue.set_due(entry, due)

    def run_ended(self, entry: Entry, outcome: str) -> None:
        """After the verdict is kept: a series that asked for it ends with its first run that is no pass."""
        if entry.series is None or not entry.stop_series or outcome == "pass":
            return
        for other in self._queue.of_series(entry.series):
            reason = f"series {entry.series}: run {entry.last_run or ''} of {entry.plan.name} was {outcome}"
            self._queue.move(other, EntryEvent.CANCEL, reason)

    def drafted(self, entry: Entry) -> RunRecord | None:
        """The run, or None when the bench refuses it now: then the entry is held with the reason."""
        try:
            return draft_run(
                entry.plan,
                entry.sheet,
                plan_file=entry.plan.name,
                clock=self._clock,
                roles=self._roles,
                plugins=self._plugins,
                watchdog=self._watchdog,
            )
        except SoakdError as error:
            self.hold(entry, error.message)
            return None

    def hold(self, entry: Entry, reason: str) -> None:
        self._queue.move(entry, EntryEvent.HOLD, reason)
        self._tell(line_news("not-started", f"{entry.plan.name} is held: {reason}"))

    def _follow_on(self) -> None:
        """Entries that wait for another one: due when it is done, given up when it never will be."""
        for entry in self._queue.hanging():
            followed = _followed(entry)
            if followed is None:
                continue
            other = self._queue.find(followed)
            if other.state in {EntryState.CANCELLED, EntryState.MISSED}:
                self._give_up(entry, f"entry {other.entry_id}, which it was to follow, is {other.state}")
            elif isinstance(entry.when, After) and other.state is EntryState.DONE:
                outcome = self._queue.outcome(other.last_run)
                if entry.when.only_after_pass and outcome != "pass":
                    self._give_up(entry, f"entry {other.entry_id}, which it was to follow, ended in {outcome}")
                else:
                    self._queue.set_due(entry, self._now())

    def _give_up(self, entry: Entry, reason: str) -> None:
        self._queue.move(entry, EntryEvent.CANCEL, reason)
        self._tell(line_news("missed", f"{entry.plan.name}: {reason}"))

    def _now(self) -> str:
        return utc_text(self._clock.wall())


def _followed(entry: Entry) -> str | None:
    """The entry that has to be done before this one."""
    match entry.when:
        case After():
            return entry.when.entry_id
        case AtBoot():
            return entry.when.follows
        case _:
            return None
