"""The daemon's drills: a process of their own to which the bench is lent, what it tells, and its end."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import TYPE_CHECKING, Final

from soakd.clock import utc_text
from soakd.errors import StateError
from soakd.model.drill import DrillCall, DrillReport, DrillResult
from soakd.web.status import DrillStatus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.clock import Clock
    from soakd.service.home import Home

STOP_PATIENCE_S: Final = 20.0
"""How long drills may take to clear away what they have begun; then they are killed, and all of it dies with them."""


class Drilling:
    """At most one call at a time. Make it in the main thread, with the bench lock held: the process dies with both."""

    def __init__(self, home: Home, clock: Clock) -> None:
        self.call: DrillCall | None = None
        """The one that is on, or the last one."""
        self._home = home
        self._clock = clock
        self._process: subprocess.Popen[bytes] | None = None
        self._pending = b""
        self._stop_asked_s: float | None = None

    @property
    def on(self) -> bool:
        return self._process is not None

    @property
    def status(self) -> DrillStatus | None:
        call = self.call
        if call is None or not self.on:
            return None
        missed = sum(result.state == "missed" for result in call.results)
        return DrillStatus(done=len(call.results), of=len(call.names), doing=call.doing, missed=missed)

    def fileno(self) -> int:
        return -1 if self._process is None or self._process.stdout is None else self._process.stdout.fileno()

    def begin(self, names: Sequence[str]) -> DrillCall:
        """Those that are named, or all. Raises UsageError for a name that is none, StateError while one is on."""
        from soakd.service.drill.perform import chosen  # noqa: PLC0415 - a daemon that never drills needs none of it

        if self._home.bench is None:
            raise RuntimeError("only who holds the bench can lend it")
        if self.on:
            raise StateError("a drill is on already", hint="wait for its end, or stop it: `soakd stop`")
        wanted = tuple(drill.name for drill in chosen(names))
        lent = self._home.bench.fileno()
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            [sys.executable, "-P", "-m", "soakd.service.drill_process",
             str(os.getpid()), str(lent), str(self._home.folder), *wanted],
            pass_fds=[lent], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, start_new_session=True,
        )  # fmt: skip
        os.set_blocking(self.fileno(), False)
        self._pending, self._stop_asked_s = b"", None
        self.call = DrillCall(begun_utc=utc_text(self._clock.wall()), names=wanted)
        return self.call

    def take(self) -> None:
        """What it tells; the end of its words is its end."""
        process = self._process
        if process is None:
            return
        try:
            chunk = os.read(self.fileno(), 65_536)
        except BlockingIOError:
            return
        *lines, self._pending = (self._pending + chunk).split(b"\n")
        for line in lines:
            self._hear(json.loads(line))
        if not chunk:
            self._end(process)

    def stop(self) -> bool:
        """Ask it to clear away and end; whether there was one. Asking again changes nothing."""
        if self._process is None:
            return False
        if self._stop_asked_s is None:
            self._process.terminate()
            self._stop_asked_s = self._clock.monotonic()
        return True

    def keep_going(self) -> None:
        """Drills that do not end when they are asked to are killed."""
        asked_s = self._stop_asked_s
        if self._process is not None and asked_s is not None and self._clock.monotonic() - asked_s > STOP_PATIENCE_S:
            self._process.kill()

    def _hear(self, line: dict[str, object]) -> None:
        if self.call is None:
            return
        match line:
            case {"doing": name}:
                news: dict[str, object] = {"doing": name}
            case {"result": result}:
                told = DrillResult.model_validate_json(json.dumps(result))
                news = {"doing": None, "results": (*self.call.results, told)}
            case {"report": report}:
                news = {"results": (), "report": DrillReport.model_validate_json(json.dumps(report))}
            case _:
                news = {"trouble": line["trouble"]}
        self.call = self.call.model_copy(update=news)

    def _end(self, process: subprocess.Popen[bytes]) -> None:
        code = process.wait()
        if process.stdout is not None:
            process.stdout.close()
        self._process = None
        if self.call is not None and self.call.on:
            asked = self._stop_asked_s is not None
            trouble = "stopped by hand" if asked else f"its process ended with {code}; the daemon's log may say why"
            self.call = self.call.model_copy(update={"doing": None, "trouble": trouble})
