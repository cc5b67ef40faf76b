"""The limiter of one run, seen from the service: starts it before the guard, and knows afterwards what it did."""

from __future__ import annotations

import os
import subprocess
import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

from soakd.crew.lifeline import PROGRAM, TALE_BYTES, Lifeline, told
from soakd.errors import StoreError
from soakd.model.journal import Found, LoadStopped
from soakd.rules.last_resort import acted, dark_hold_s
from soakd.sensors.hwmon import HwmonSource

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.journal import Event
    from soakd.model.run import RunRecord
    from soakd.rules.last_resort import Act
    from soakd.service.home import Home

END_PATIENCE_S = 12.0
"""How long the limiter may take, after the guard is gone, to see that its crew is too."""


@contextmanager
def blank_tale(home: Home) -> Iterator[int]:
    """The file that a limiter tells its act in: filled and on the drive, so that telling takes no room. StoreError."""
    try:
        file = home.tale.open("w+b", buffering=0)
    except OSError as error:
        raise StoreError(f"{home.tale}: {error.strerror}") from error
    with file:
        try:
            file.write(b" " * (TALE_BYTES - 1) + b"\n")
            os.fsync(file.fileno())
        except OSError as error:
            raise StoreError(f"{home.tale}: {error.strerror}") from error
        yield file.fileno()


class LastResort:
    """Starts the limiter. The guard's process inherits `words` and `lifeline`."""

    def __init__(self, record: RunRecord, tale: int) -> None:
        self._shared = Lifeline.create()
        watched_end, self.lifeline = os.pipe()
        handed = (watched_end, self.words, tale)
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and program
            [sys.executable, "-I", "-S", str(PROGRAM), *map(str, handed), record.run_id, *_settings(record)],
            pass_fds=handed,
            stdin=subprocess.DEVNULL,
            start_new_session=True,
        )
        os.close(watched_end)

    @property
    def words(self) -> int:
        return self._shared.descriptor

    def handed_over(self) -> None:
        """From now on the guard's process alone holds the lifeline."""
        os.close(self.lifeline)

    def guard_turns(self) -> bool:
        """The guard's loop has begun."""
        return self._shared.guard_beats() > 0

    def act(self) -> Act | None:
        return self._shared.act()

    def end(self) -> tuple[bool, Act | None]:
        """After the guard's process is gone: whether none of its crew is left, and what the limiter did."""
        try:
            gone = self._process.wait(END_PATIENCE_S) == 0
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
            gone = False
        act = self._shared.act()
        self._shared.close()
        return gone, act


def _settings(record: RunRecord) -> Iterator[str]:
    """Arguments: how long an input may be silent; place, file, setting and hold of each."""
    files = HwmonSource().inputs()
    yield str(round(dark_hold_s(record.plan) * 1000))
    for index, bound in enumerate(record.last_resort):
        yield from (str(index), files.get(bound.channel, ""))
        yield from (str(round(bound.value * 1000)), str(round(bound.hold_s * 1000)))


def told_by(home: Home, record: RunRecord) -> Act | None:
    """What the limiter of a run wrote down, when nobody was left to hear it."""
    try:
        tale = home.tale.read_text(encoding="ascii", errors="replace")
    except OSError:
        return None
    return told(tale, record.run_id, len(record.last_resort))


def story(act: Act, record: RunRecord, at_s: float) -> tuple[Event, Event]:
    """What goes on record of it."""
    finding = acted(act, record.last_resort).model_copy(update={"at_s": at_s})
    return (
        Found(at_s=at_s, finding=finding, stops=True),
        LoadStopped(at_s=at_s, gone_s=act.gone_s, survivors=act.survivors),
    )
