"""Tells a person what goes on: a live view on a terminal, now and then a line elsewhere, all on standard error.

A thread of its own writes, past the interpreter's buffer: a terminal that takes nothing more holds up this thread and
nothing else, not even the interpreter's last flush. It is given only the newest picture.
"""

from __future__ import annotations

import io
import sys
import threading
from collections import deque
from typing import TYPE_CHECKING

from rich.console import Console
from rich.live import Live

from soakd.model.corelist import ranges
from soakd.report.live import Progress, picture, plain_line
from soakd.rules.cooling import STILL_HEATING

if TYPE_CHECKING:
    from soakd.model.journal import Event
    from soakd.model.run import RunRecord
    from soakd.model.verdict import Verdict

PLAIN_EVERY_S = 10.0
CLOSE_PATIENCE_S = 2.0
BELL = "\a"
"""Rings a terminal."""


class Teller:
    """Reporter of a foreground run. `quiet` leaves only what must be read: orphans, notes and cautions."""

    def __init__(self, *, quiet: bool) -> None:
        self._console = Console(file=_unbuffered_stderr())
        self._quiet = quiet
        self._progress: Progress | None = None
        self._lines: deque[str] = deque()
        self._redraw = False
        self._closing = False
        self._last_line_s = -PLAIN_EVERY_S
        self._news = threading.Condition()
        self._thread = threading.Thread(target=self._write, name="teller", daemon=True)
        self._thread.start()

    def orphan(self, verdict: Verdict) -> None:
        reason = verdict.reasons[0].text if verdict.reasons else ""
        self._say(f"An earlier run ({verdict.run_id}) had never ended; judged now: {verdict.outcome}: {reason}")

    def note(self, line: str) -> None:
        self._say(f"NOTE: {line}")

    def starting(self, record: RunRecord) -> None:
        for caution in record.cautions:
            self._say(f"CAUTION: {caution}")
        if self._quiet:
            return
        self._say(f"{record.plan.name}: run {record.run_id} on cores {ranges(set(record.cores))}")
        for bound in record.bounds:
            self._say(f"  {bound.says} on {bound.what} ({bound.origin})")
        self._progress = Progress(record)

    def event(self, event: Event) -> None:
        if event.kind == "found" and event.finding.rule == STILL_HEATING:
            self._say(f"{BELL}STILL HEATING, LOAD GONE: {event.finding.text}.")
        if self._progress is None:
            return
        with self._news:
            self._progress.take(event)
            if self._console.is_terminal:
                self._redraw = True
            elif event.kind == "found":
                self._lines.append(f"FOUND: {event.finding.text}")
            elif event.at_s - self._last_line_s >= PLAIN_EVERY_S:
                self._last_line_s = event.at_s
                self._lines.append(plain_line(self._progress))
            self._news.notify()

    def close(self) -> None:
        """Let the last lines out, but wait for nobody who does not read."""
        with self._news:
            self._closing = True
            self._news.notify()
        self._thread.join(CLOSE_PATIENCE_S)

    def _say(self, line: str) -> None:
        with self._news:
            self._lines.append(line)
            self._news.notify()

    def _write(self) -> None:
        live: Live | None = None
        try:
            while self._wait():
                while self._lines:
                    self._console.print(self._lines.popleft(), highlight=False, markup=False, soft_wrap=True)
                if self._redraw and self._progress is not None:
                    live = live or self._started()
                    with self._news:
                        self._redraw = False
                        drawn = picture(self._progress)
                    live.update(drawn, refresh=True)
        except (OSError, ValueError):
            return  # nobody reads any more; the run goes on
        finally:
            if live is not None:
                live.stop()

    def _wait(self) -> bool:
        """Until there is something to write; False when everything has been written and no more will come."""
        with self._news:
            while not (self._lines or self._redraw or self._closing):
                self._news.wait()
            return bool(self._lines) or not self._closing

    def _started(self) -> Live:
        live = Live(console=self._console, auto_refresh=False, transient=True)
        live.start()
        return live


def _unbuffered_stderr() -> io.TextIOWrapper:
    raw = io.FileIO(2, "w", closefd=False)
    return io.TextIOWrapper(raw, encoding=sys.stderr.encoding, errors="backslashreplace", write_through=True)
