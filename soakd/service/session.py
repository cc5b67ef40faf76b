"""One run from start to verdict: spawns the guard's process, keeps the journal, passes stops on, judges.

Whoever drives it waits until `fileno()` is readable, calls `take()`, now and then `watch_guard()`, and once `ended`
calls `judge()`. Make it in the main thread: the guard dies with the thread that started it.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from soakd.clock import utc_text
from soakd.errors import StoreError
from soakd.model.configuration import told
from soakd.model.finding import Finding
from soakd.model.journal import EVENT, Event, Found, RunEnded, StageAnnounced
from soakd.rules.fingerprint import settings_changed
from soakd.rules.gather import Gatherer
from soakd.rules.judge import judge
from soakd.rules.last_resort import RULE
from soakd.sensors.snapshot import boot_id, take_snapshot
from soakd.service.last_resort import LastResort, blank_tale, story, told_by
from soakd.service.offered import PLUGIN_UNIT
from soakd.service.reset import reset_by_watchdog, stand_down
from soakd.store.queue import run_ended
from soakd.workloads.kinds import KINDS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from soakd.clock import Clock
    from soakd.crew.wire import PlantedFlip
    from soakd.model.configuration import Plugin
    from soakd.model.entry import Entry
    from soakd.model.run import RunRecord
    from soakd.model.verdict import Verdict
    from soakd.rules.last_resort import Act
    from soakd.service.home import Home
    from soakd.store.journal import Journal
    from soakd.store.writer import Statement

SILENCE_S = 15.0
SILENCE_TICKS = 5.0
"""A guard that has said nothing for so long is not believed to watch; its process is killed, and the load with it."""
SILENCE_AFTER_ACT_S = 3.0
SILENCE_AFTER_ACT_TICKS = 2.5
"""The same once the limiter has taken the load away: then there is little left to wait for."""
LAST_WORD_S = 20.0
"""How long the guard's process may take to end after its last word; a driver can hold one of its threads."""
_SOCKET_BYTES = 16_384
"""Small, so that a journal which falls behind is noticed and not hidden in a buffer."""
UNITS = {name: kind.unit for name, kind in KINDS.items()} | {"plugin": PLUGIN_UNIT}


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A verdict, and whether it could be kept."""

    verdict: Verdict
    unkept: str | None = None
    """Why it is not in the ledger; None when it is."""


class Session:
    """Holds one run. Raises StoreError only if not even its start can be recorded."""

    def __init__(self, record: RunRecord, home: Home, journal: Journal, clock: Clock) -> None:
        self.record = record
        self.ended = False
        self._home = home
        self._journal = journal
        self._clock = clock
        self._gatherer = Gatherer(record, UNITS)
        self._changed: set[str] = set()
        self._lost: StoreError | None = None
        self._suspended_s = clock.suspended()
        self._pending = b""
        self._silent: str | None = None
        self._heard_s = clock.monotonic()

    def start(
        self,
        stops: int,
        *,
        flip: PlantedFlip | None = None,
        plugins: Iterable[Plugin] = (),
        entry_id: str | None = None,
        claim: Sequence[Statement] = (),
    ) -> None:
        """On record first, then the guard's process. `claim` is done in the same transaction.

        `stops`: a pipe whose every byte is a signal that asks for a stop; the guard reads it by itself. `plugins` are
        no part of the record: their options may hold secrets.
        """
        with blank_tale(self._home) as tale:
            self._journal.begin(self.record, entry_id, claim=claim)
            self._last_resort = LastResort(self.record, tale)
        self._socket, theirs = socket.socketpair()
        theirs.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SOCKET_BYTES)
        handed = (theirs.fileno(), stops, self._last_resort.words, self._last_resort.lifeline)
        self._engine = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            [
                sys.executable, "-P", "-m", "soakd.service.engine_process",
                str(os.getpid()), *map(str, handed),
            ],
            pass_fds=handed,
            stdin=subprocess.DEVNULL,
            start_new_session=True,
        )  # fmt: skip
        theirs.close()
        self._last_resort.handed_over()
        self._heard_s = self._clock.monotonic()
        planted = json.dumps(asdict(flip) if flip else None)
        self._tell(f"{self.record.model_dump_json()}\n{planted}\n".encode() + told(plugins) + b"\n")

    def fileno(self) -> int:
        return self._socket.fileno()

    def take(self) -> list[Event]:
        """What the guard has said since the last time; everything is kept before it is returned."""
        try:
            chunk = self._socket.recv(262_144)
        except OSError:
            chunk = b""  # a peer that died with something unread
        if not chunk:
            self.ended = True
            return []
        self._heard_s = self._clock.monotonic()
        *lines, self._pending = (self._pending + chunk).split(b"\n")
        events: list[Event] = []
        for event in (EVENT.validate_json(line) for line in lines):
            if isinstance(event, StageAnnounced):
                events += self._look_at_settings(event)
            events.append(event)
        for event in events:
            self._keep(event)
        self.ended = any(isinstance(event, RunEnded) for event in events)
        return events

    @property
    def load_gone(self) -> bool:
        """Stopped, and every worker was seen gone; the guard may go on watching the bench as it cools."""
        return self._gatherer.load_gone

    @property
    def guarding(self) -> bool:
        """The guard's loop turns, or is thought to."""
        return self._last_resort.guard_turns()

    def watch_guard(self) -> None:
        """Call it at least once a second: a guard that has fallen silent is killed, and the load dies with it."""
        silent_s, tick_s = self._clock.monotonic() - self._heard_s, self.record.plan.guard.tick_s
        most_s = max(SILENCE_S, SILENCE_TICKS * tick_s)
        if self._last_resort.act() is not None:
            most_s = max(SILENCE_AFTER_ACT_S, SILENCE_AFTER_ACT_TICKS * tick_s)
        if self._silent is None and silent_s > most_s:
            self._silent = f"it had said nothing for {silent_s:.0f} s and was killed"
            self.kill()

    def stop(self, rule: str, text: str) -> None:
        """Ask the guard to take the load away."""
        self._tell(json.dumps({"rule": rule, "text": text}).encode() + b"\n")

    def kill(self) -> None:
        """Ask nobody: the guard's process is killed, and the load dies with it."""
        self._engine.kill()

    def judge(self, entry: Entry | None = None, due_utc: str | None = None) -> tuple[Judged, list[Event]]:
        """After the end: the verdict, in the ledger if at all possible, and what had to be added to the story.

        With an entry, it moves on in the same transaction; `due_utc` is when its next run may start.
        """
        code = self._wait_for_engine()
        self._socket.close()
        gone, act = self._last_resort.end()
        if code and gone:
            stand_down(self.record)
        added = self._what_the_limiter_did(act)
        if not self._gatherer.ended_cleanly:
            added.append(self._guard_died(code))
        if self._lost is not None and not self._gatherer.has_found("journal-lost"):
            added.append(self._found("journal-lost", self._lost.message))
        for event in added:
            self._gatherer.add(event)
        evidence = self._gatherer.evidence(
            finished_utc=utc_text(self._clock.wall()),
            same_boot=True,
            suspended_s=self._clock.suspended() - self._suspended_s,
            snapshot_after=take_snapshot(),
        )
        verdict = judge(self.record, evidence)
        step = [run_ended(entry, self.record.run_id, due_utc)] if entry else []
        return Judged(verdict=verdict, unkept=self._finish(verdict, step)), added

    def _finish(self, verdict: Verdict, step: Sequence[Statement]) -> str | None:
        """Keep it; if there is no room, give up the reserve and try once more. Why it could not be kept, or None."""
        for attempt in ("first", "last"):
            try:
                self._journal.finish(verdict, entry=step)
            except StoreError as error:
                if attempt == "last":
                    return error.message
                self._home.release_reserve()
            else:
                break
        return None

    def _wait_for_engine(self) -> int:
        try:
            return self._engine.wait(LAST_WORD_S)
        except subprocess.TimeoutExpired:
            self.kill()
            return self._engine.wait()

    def _keep(self, event: Event) -> None:
        """In the journal; the first time that fails, the load is stopped, for what is not on record proves nothing."""
        self._gatherer.add(event)
        if self._lost is not None:
            return
        try:
            if isinstance(event, StageAnnounced):
                self._journal.load_begins(self.record.run_id, event)
                self._tell(json.dumps({"confirmed": event.stage}).encode() + b"\n")
            else:
                self._journal.add(self.record, event)
        except StoreError as error:
            self._lost = error
            self.stop("journal-lost", f"{error.message}; {error.hint}" if error.hint else error.message)

    def _look_at_settings(self, stage: StageAnnounced) -> Iterator[Event]:
        """While the bench is at rest and the guard waits for the journal: each change once, with its stage."""
        for line in settings_changed(self.record.snapshot, take_snapshot()):
            if line not in self._changed:
                self._changed.add(line)
                text = f"changed before stage {stage.stage + 1} began: {line}"
                yield self._found("settings-changed", text, at_s=stage.at_s, stage=stage.stage, stops=False)

    def _tell(self, line: bytes) -> None:
        """To the guard; if it is gone, the end of the stream says so soon enough."""
        try:
            self._socket.sendall(line)
        except OSError:
            return

    def _what_the_limiter_did(self, act: Act | None) -> list[Event]:
        """Unless the guard has said it."""
        if act is None or self._gatherer.has_found(RULE):
            return []
        return list(story(act, self.record, self._gatherer.last_s))

    def _guard_died(self, code: int) -> Event:
        how = f"signal {-code} ({signal.Signals(-code).name})" if code < 0 else f"code {code}"
        why = self._silent or f"it ended with {how}"
        return self._found("guard-died", f"the guard's process: {why}; no load outlives it")

    def _found(
        self, rule: str, text: str, *, at_s: float | None = None, stage: int | None = None, stops: bool = True
    ) -> Event:
        at_s = self._gatherer.last_s if at_s is None else at_s
        finding = Finding(rule=rule, weight="inconclusive", text=text, at_s=at_s, stage=stage)
        return Found(at_s=at_s, finding=finding, stops=stops)


def judge_orphan(record: RunRecord, journal: Journal, clock: Clock, home: Home) -> Verdict:
    """What follows from the journal of a run that never ended; it is not kept yet."""
    gatherer = Gatherer(record, UNITS)
    for event in journal.replay(record):
        gatherer.add(event)
    act = told_by(home, record)
    if act is not None and not gatherer.has_found(RULE):
        for event in story(act, record, gatherer.last_s):
            gatherer.add(event)
    evidence = gatherer.evidence(
        finished_utc=utc_text(clock.wall()),
        same_boot=record.boot_id == boot_id(),
        reset_by_watchdog=reset_by_watchdog(record.watchdog),
        suspended_s=0.0,
        snapshot_after=None,
    )
    return judge(record, evidence)
