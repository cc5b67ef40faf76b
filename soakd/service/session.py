"""One run from start to verdict: spawns the guard's process, keeps the journal, answers signals, judges."""

from __future__ import annotations

import json
import os
import selectors
import signal
import socket
import subprocess
import sys
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Self

from soakd.clock import utc_text
from soakd.errors import StoreError
from soakd.model.finding import Finding
from soakd.model.journal import EVENT, Event, Found, StageAnnounced
from soakd.rules.gather import Gatherer
from soakd.rules.judge import judge
from soakd.sensors.snapshot import boot_id, take_snapshot
from soakd.workloads.catalog import KINDS

if TYPE_CHECKING:
    from collections.abc import Callable

    from soakd.clock import Clock
    from soakd.crew.wire import PlantedFlip
    from soakd.model.run import RunRecord
    from soakd.model.verdict import Verdict
    from soakd.service.home import Home
    from soakd.store.journal import Journal

UNITS = {name: kind.unit for name, kind in KINDS.items()}
_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A verdict, and whether it could be kept."""

    verdict: Verdict
    unkept: str | None = None
    """Why it is not in the ledger; None when it is."""


def judge_orphans(journal: Journal, clock: Clock) -> list[Verdict]:
    """Judge every run that never finished. The caller holds the bench lock, so none of them is alive."""
    verdicts = []
    for record in journal.orphans():
        gatherer = Gatherer(record, UNITS)
        for event in journal.replay(record):
            gatherer.add(event)
        evidence = gatherer.evidence(
            finished_utc=utc_text(clock.wall()),
            same_boot=record.boot_id == boot_id(),
            suspended_s=0.0,
            snapshot_after=None,
        )
        verdict = judge(record, evidence)
        journal.finish(verdict)
        verdicts.append(verdict)
    return verdicts


class Session:
    """Drives one run in the foreground. Make and use it in the main thread: the guard dies with the thread."""

    def __init__(
        self, record: RunRecord, home: Home, journal: Journal, clock: Clock, *, flip: PlantedFlip | None = None
    ) -> None:
        self._record = record
        self._home = home
        self._journal = journal
        self._clock = clock
        self._flip = flip
        self._gatherer = Gatherer(record, UNITS)
        self._lost: StoreError | None = None
        self._stop_requests = 0
        self._suspended_s = clock.suspended()

    def run(self, on_event: Callable[[Event], None] = lambda _: None) -> Judged:
        """To the verdict, whatever happens on the way. Raises StoreError only if not even the start can be recorded."""
        self._journal.begin(self._record)
        ours, theirs = socket.socketpair()
        with ours:
            engine = self._spawn(theirs)
            theirs.close()
            flip = json.dumps(asdict(self._flip) if self._flip else None)
            ours.sendall(f"{self._record.model_dump_json()}\n{flip}\n".encode())
            with _SignalPipe(_SIGNALS) as signals:
                self._follow(ours, signals, engine, on_event)
            code = engine.wait()
        return self._close(code, on_event)

    @staticmethod
    def _spawn(theirs: socket.socket) -> subprocess.Popen[bytes]:
        return subprocess.Popen(  # noqa: S603 - our own interpreter and module
            [sys.executable, "-P", "-m", "soakd.service.engine_process", str(os.getpid()), str(theirs.fileno())],
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
            start_new_session=True,
        )

    def _follow(
        self,
        ours: socket.socket,
        signals: _SignalPipe,
        engine: subprocess.Popen[bytes],
        on_event: Callable[[Event], None],
    ) -> None:
        """Until the guard closes its end: keep every event, confirm every stage, pass every stop on."""
        pending = b""
        with selectors.DefaultSelector() as selector:
            selector.register(ours, selectors.EVENT_READ)
            selector.register(signals.read_end, selectors.EVENT_READ)
            while True:
                ready = {key.fd for key, _ in selector.select()}
                if signals.read_end in ready:
                    self._on_signal(signals.take(), ours, engine)
                if ours.fileno() in ready:
                    chunk = ours.recv(262_144)
                    if not chunk:
                        return
                    *lines, pending = (pending + chunk).split(b"\n")
                    for line in lines:
                        event = EVENT.validate_json(line)
                        self._on_event(event, ours)
                        on_event(event)

    def _on_event(self, event: Event, ours: socket.socket) -> None:
        self._gatherer.add(event)
        if self._lost is None:
            try:
                self._keep(event)
            except StoreError as error:
                self._lost = error
                _send(ours, rule="journal-lost", text=f"{error.message}; {error.hint}" if error.hint else error.message)
                return
            if isinstance(event, StageAnnounced):
                _send(ours, confirmed=event.stage)

    def _keep(self, event: Event) -> None:
        if isinstance(event, StageAnnounced):
            self._journal.load_begins(self._record.run_id, event)
        else:
            self._journal.add(self._record, event)

    def _on_signal(self, number: int, ours: socket.socket, engine: subprocess.Popen[bytes]) -> None:
        """The first asks the guard; a second one does not ask any more, and the load dies with the guard."""
        self._stop_requests += 1
        if self._stop_requests == 1:
            _send(ours, rule="stopped-by-hand", text=f"stopped by hand ({signal.Signals(number).name})")
        else:
            engine.kill()

    def _close(self, code: int, on_event: Callable[[Event], None]) -> Judged:
        if code != 0:
            self._tell_guard_died(code, on_event)
        evidence = self._gatherer.evidence(
            finished_utc=utc_text(self._clock.wall()),
            same_boot=True,
            suspended_s=self._clock.suspended() - self._suspended_s,
            snapshot_after=take_snapshot(),
        )
        verdict = judge(self._record, evidence)
        if self._lost is not None:
            self._home.release_reserve()
        try:
            self._journal.finish(verdict)
        except StoreError as error:
            return Judged(verdict=verdict, unkept=error.message)
        return Judged(verdict=verdict)

    def _tell_guard_died(self, code: int, on_event: Callable[[Event], None]) -> None:
        how = f"signal {-code} ({signal.Signals(-code).name})" if code < 0 else f"code {code}"
        text = f"the guard's process ended with {how}; the load died with it"
        event = Found(
            at_s=self._gatherer.last_s,
            finding=Finding(rule="guard-died", weight="inconclusive", text=text, at_s=self._gatherer.last_s),
            stops=True,
        )
        self._gatherer.add(event)
        on_event(event)


def _send(ours: socket.socket, **command: object) -> None:
    """A command to the guard; if it is gone, the end of the stream says so soon enough."""
    try:
        ours.sendall(json.dumps(command).encode() + b"\n")
    except OSError:
        return


class _SignalPipe:
    """Signals become bytes in a pipe: the handler only notes, the loop decides."""

    def __init__(self, numbers: tuple[signal.Signals, ...]) -> None:
        self._numbers = numbers

    def __enter__(self) -> Self:
        self.read_end, self._write_end = os.pipe()
        os.set_blocking(self._write_end, False)
        self._before = {number: signal.signal(number, self._note) for number in self._numbers}
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
        os.close(self.read_end)
        os.close(self._write_end)

    def take(self) -> int:
        return os.read(self.read_end, 1)[0]

    def _note(self, number: int, _: object) -> None:
        os.write(self._write_end, bytes([number]))
