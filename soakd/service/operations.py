"""What can be asked of the queue: each verb checks, does one durable step, and answers with the entry as it is then."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING

from soakd.clock import utc_text
from soakd.config.files import refuse_misfits, refuse_sheet
from soakd.errors import RefusedError, StateError, UsageError
from soakd.model.entry import (
    After,
    At,
    AtBoot,
    Checked,
    Cron,
    Entry,
    EntryAsk,
    EntryRequest,
    EntryState,
    Hook,
    Now,
    When,
    Window,
)
from soakd.rules.bounds import resolve
from soakd.rules.entries import EntryEvent
from soakd.rules.plan_check import misfits
from soakd.rules.schedule import parse_at
from soakd.rules.sheet_check import check
from soakd.sensors.snapshot import boot_id, take_snapshot
from soakd.service import bench
from soakd.service.alarm import trigger_of
from soakd.service.due import Dues, zone
from soakd.service.hooks import refuse_unsafe
from soakd.service.plugins import sensors_of, troubles, unasked

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from soakd.clock import Clock
    from soakd.model.channels import Role
    from soakd.model.configuration import Plugin
    from soakd.store.queue import Queue


class Operations:
    """The verbs of the queue. All raise SoakdError for what cannot be done."""

    def __init__(
        self,
        queue: Queue,
        clock: Clock,
        dues: Dues,
        own_zone: str,
        roles: Mapping[str, Role] | None = None,
        plugins: Sequence[Plugin] = (),
    ) -> None:
        """`roles`: what the tuner says of channels. Raises RefusedError for a role that one cannot have.

        `plugins`: of the configuration. Their channels are asked for here, once and for all, because later on nobody
        may be waited for; whether they can be read is seen when a run is drafted.
        """
        self._queue = queue
        self._clock = clock
        self._dues = dues
        self._own_zone = own_zone
        self._cores = bench.cores()
        self._classes = bench.classes() | unasked(plugins)
        self._sources = bench.sources(clock)
        watched = sensors_of(plugins)
        self._channels = bench.channels([*self._sources, *watched], self._cores, roles)
        self._troubles = troubles(watched)
        for source in watched:
            source.close()

    def add(self, ask: EntryAsk) -> Entry:
        """Checked now and not at midnight: plan and sheet against this bench, the time, the entry that it follows.

        Settings that come with a hook or with the next boot are held against the bench when they are there.
        """
        self._cautions(ask)
        request = self._request(ask)
        created = utc_text(self._clock.wall())
        return self._queue.add(uuid.uuid4().hex[:12], created, request, self._dues.first(request.when))

    def check(self, ask: EntryAsk) -> Checked:
        """What `add` would refuse is refused here too; nothing is kept."""
        cautions = self._cautions(ask)
        request = self._request(ask)
        due_utc = self._dues.first(request.when)
        return Checked(when=request.when, due_utc=due_utc, count=request.count, cautions=cautions)

    def _cautions(self, ask: EntryAsk) -> tuple[str, ...]:
        """Plan and sheet against this bench. Raises ConfigError or RefusedError."""
        least = bench.least_memory_percent_ever()
        unfit = misfits(ask.plan, bench_cores=self._cores, classes=self._classes, least_memory_percent=least)
        refuse_misfits(ask.plan.name, unfit)
        try:
            _, cautions = resolve(ask.plan, self._channels, bench.unreadable(self._sources, self._channels))
        except RefusedError as error:
            raise RefusedError(error.message, hint="; ".join(filter(None, [error.hint, *self._troubles]))) from error
        if ask.sheet is None:
            return cautions
        there = ask.hook is None and not ask.at_boot
        found = check(ask.sheet, take_snapshot() if there else None)
        refuse_sheet(ask.sheet, found)
        return (*cautions, *(f"sheet, {each.place}: {each.text}" for each in found))

    def _request(self, ask: EntryAsk) -> EntryRequest:
        when = self._when(ask)
        endless = isinstance(when, Cron | Window)
        return EntryRequest(
            plan=ask.plan,
            sheet=ask.sheet,
            when=when,
            priority=ask.priority,
            count=ask.count if ask.count is not None or endless else 1,
            series=ask.series,
            **{"stop-series": ask.stop_series},
            hook=self._hook(ask.hook),
        )

    def hold(self, entry_id: str) -> Entry:
        return self._move(entry_id, EntryEvent.HOLD, "held by hand")

    def release(self, entry_id: str) -> Entry:
        return self._move(entry_id, EntryEvent.RELEASE, None)

    def cancel(self, entry_id: str) -> Entry:
        return self._move(entry_id, EntryEvent.CANCEL, "cancelled by hand")

    def reorder(self, entry_id: str, place: int, priority: int) -> Entry:
        """A smaller place goes first among entries of one priority."""
        entry = self._queue.find(entry_id)
        if entry.state not in {EntryState.WAITING, EntryState.HELD}:
            raise StateError(f"entry {entry.entry_id} is {entry.state}: it has no place")
        return self._queue.reorder(entry, place=place, priority=priority)

    def _move(self, entry_id: str, event: EntryEvent, reason: str | None) -> Entry:
        entry = self._queue.find(entry_id)
        try:
            return self._queue.move(entry, event, reason)
        except LookupError:
            raise StateError(
                f"entry {entry.entry_id} is {entry.state}: it cannot be asked to {event.value}",
                hint="a running entry ends with `soakd stop`" if entry.state == "running" else "",
            ) from None

    def _when(self, ask: EntryAsk) -> When:
        name = ask.zone or self._own_zone
        where = zone(name)
        if ask.at:
            try:
                moment = parse_at(ask.at, self._dues.now(), where)
            except ValueError as error:
                raise UsageError(f"at {ask.at!r}: {error}") from error
            local = moment.astimezone(where).strftime("%Y-%m-%d %H:%M")
            return At(local=local, zone=name, instant_utc=moment.isoformat())
        if ask.cron:
            trigger_of(ask.cron)
            return Cron(expression=ask.cron, zone=name)
        if ask.window:
            opens, closes = ask.window.split("-")
            if opens == closes:
                raise UsageError(f"window {ask.window!r}: it opens and closes at the same time")
            return Window(opens=opens, closes=closes, zone=name, at_end=ask.at_end)
        if ask.at_boot:
            follows = self._followed(ask.after) if ask.after else None
            return AtBoot(settle=ask.settle_s, not_before_boot=boot_id(), follows=follows)
        if ask.after:
            return After(entry_id=self._followed(ask.after), only_after_pass=not ask.after_any)
        return Now()

    @staticmethod
    def _hook(hook: Hook | None) -> Hook | None:
        if hook is not None:
            refuse_unsafe(hook)
        return hook

    def _followed(self, wanted: str) -> str:
        entry = self._queue.find(wanted)
        if entry.count is None:
            raise RefusedError(f"entry {entry.entry_id} goes on without end: nothing can come after it")
        if entry.state in {"done", "cancelled", "missed"}:
            raise RefusedError(f"entry {entry.entry_id} is {entry.state} already: nothing can wait for it")
        return entry.entry_id
