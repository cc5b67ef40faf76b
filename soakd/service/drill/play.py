"""The process that keeps a drill's journal: a run as `soakd run` makes it, forked, in a state folder made for it.

What it has to say goes to whoever drills as JSON lines, its verdict into a file; it dies with whoever drills.
"""

from __future__ import annotations

import json
import os
import signal
import traceback
import uuid
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from soakd.clock import SystemClock
from soakd.crew.kinship import die_with_parent
from soakd.errors import SoakdError
from soakd.service import tuning
from soakd.service.bench_key import BenchKey
from soakd.service.drill import namespace
from soakd.service.due import Dues
from soakd.service.foreground import Request, run_once
from soakd.service.home import Home
from soakd.service.orphans import judge_orphans
from soakd.store.journal import Journal
from soakd.store.queue import Queue
from soakd.store.writer import Writer
from soakd.workloads.families import cpuinfo

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from soakd.model.journal import Event
    from soakd.model.run import RunRecord
    from soakd.model.verdict import Verdict
    from soakd.service.drill.tree import Tree

VERDICT: Final = "verdict.json"
DRIVE: Final = "drive"
DRIVE_KIB: Final = 4096
_LOG: Final = "log"


class ScratchHome(Home):
    """A state folder under the drill's own. Whoever drills holds the bench already."""

    @contextmanager
    def bench_lock(self) -> Iterator[None]:
        yield


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """Where a drill's run is played."""

    folder: Path
    home: Path
    tree: Tree
    small_drive: bool
    issue_order: bytes | None
    """What this machine's own state folder keeps of it."""


class _Teller:
    """Says in lines what the run says in events."""

    def __init__(self, words: int) -> None:
        self._words = words
        self._clock = SystemClock()
        self._loaded = False

    def say(self, what: str, **more: Any) -> None:
        line = json.dumps({"what": what, "at_s": self._clock.monotonic(), **more}) + "\n"
        os.write(self._words, line.encode())

    def orphan(self, verdict: Verdict) -> None: ...

    def note(self, line: str) -> None: ...

    def starting(self, record: RunRecord) -> None: ...

    def event(self, event: Event) -> None:
        match event.kind:
            case "found":
                self.say("found", rule=event.finding.rule)
            case "tick" if self._loaded:
                self.say("tick", run_s=event.at_s, rounds={w.core: (w.rounds, w.until_s) for w in event.workers})
            case "stage-announced":
                self.say(event.kind)
            case "stage-started" | "load-stopped":
                self._loaded = event.kind == "stage-started"
                self.say(event.kind, run_s=event.at_s)
            case _:
                return


def play(request: Request, stage: Stage, *, apart: bool) -> tuple[int, int]:
    """Fork the run; its process and the end of its words. `apart`: in a namespace, with the tree as the kernel's."""

    def part(teller: _Teller) -> None:
        if apart:
            _set_apart(stage)
        home = ScratchHome(stage.home)
        home.make()
        _know_issue_order(home, stage.issue_order)
        _keep(stage, run_once(request, home, SystemClock(), teller).verdict)

    return _forked(part, stage)


def play_next_start(stage: Stage, *, new_boot: bool) -> tuple[int, int]:
    """Fork what every start does first: judge what an earlier run has left behind. `new_boot`: by another boot."""

    def part(_: _Teller) -> None:
        if new_boot:
            namespace.enter()
            made = stage.folder / "boot_id"
            made.write_text(f"{uuid.uuid4()}\n", encoding="ascii")
            namespace.show(made, Path("/proc/sys/kernel/random/boot_id"), stage.folder)
        clock, home = SystemClock(), ScratchHome(stage.home)
        writer = Writer(home.journal)
        try:
            dues = Dues(clock).after_run
            for verdict in judge_orphans(Journal(writer, BenchKey(home.key)), Queue(writer), clock, home, dues):
                _keep(stage, verdict)
        finally:
            writer.close()

    return _forked(part, stage)


def _know_issue_order(home: Home, kept: bytes | None) -> None:
    """So that nothing is searched for: what is kept of this machine, or else the order that travels with soakd."""
    core = tuning.unknown_core(cpuinfo())
    if kept is None and core is not None:
        from soakd.workloads.integer.streams import ORDER  # noqa: PLC0415 - loads the compiler library

        order = tuning.KeptOrder(core=core, seed=0, begun_utc="", boot_id="", soakd_version="", order=ORDER)
        kept = order.model_dump_json().encode()
    if kept is not None:
        (home.folder / tuning.NAME).write_bytes(kept)


def _keep(stage: Stage, verdict: Verdict) -> None:
    (stage.folder / VERDICT).write_text(verdict.model_dump_json(), encoding="utf-8")


def _forked(part: Callable[[_Teller], None], stage: Stage) -> tuple[int, int]:
    parent = os.getpid()
    heard, words = os.pipe()
    pid = os.fork()
    if pid:
        os.close(words)
        return pid, heard
    code, teller = 1, _Teller(words)
    try:
        os.close(heard)
        os.setsid()
        _quiet(stage.folder)
        signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored where all of this runs in the background
        die_with_parent(parent)
        part(teller)
        code = 0
    except SoakdError as error:
        teller.say("refused", why=f"{error.message}; {error.hint}" if error.hint else error.message)
    except BaseException:  # noqa: BLE001 - this process ends here, whatever it is
        traceback.print_exc()
    finally:
        os._exit(code)


def _quiet(folder: Path) -> None:
    """Nothing to read, and everything that is written goes into a file."""
    nothing = os.open(os.devnull, os.O_RDONLY)
    log = os.open(folder / _LOG, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    for descriptor, own in ((nothing, 0), (log, 1), (log, 2)):
        os.dup2(descriptor, own)


def _set_apart(stage: Stage) -> None:
    """Raises OSError."""
    namespace.enter()
    spare = stage.folder / "under"
    spare.mkdir(exist_ok=True)
    stage.tree.show(spare)
    if stage.small_drive:
        namespace.small_drive(stage.folder / DRIVE, DRIVE_KIB)
