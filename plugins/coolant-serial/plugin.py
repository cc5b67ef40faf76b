"""A coolant probe on a serial line: a microcontroller that says a line a second, unasked.

    T=31.52 F=182.4*38

Fields are a letter, `=` and a decimal number, one space between them; after `*` two hexadecimal digits, the exclusive
or of all bytes before it; the line ends with LF or CR LF. The protocol is this plugin's own; a check byte of that kind
is common practice, no source.

Options: `device` (required), `baud` (115200), `silence-s` (seconds without a good line before a reading is a gap, 2.5),
`fields` (letter to role; T = "coolant-temperature" if not given).
"""

from __future__ import annotations

import fcntl
import os
import re
import termios
import tty
from functools import reduce
from operator import xor
from time import perf_counter
from typing import Any

from soakd.api import Channel, Role, SoakdError

_FIELD = rb"[A-Z]=-?\d{1,9}(\.\d{1,6})?"
_LINE = re.compile(rb"(?P<fields>" + _FIELD + rb"( " + _FIELD + rb")*)\*(?P<check>[0-9A-F]{2})\r?")
_MOST_BYTES = 4096
"""Kept of what was read; a line is never so long."""
_MOST_READS = 64
"""At once; what is left waits for the next reading."""
_OPTIONS = {"device", "baud", "silence-s", "fields"}


class Coolant:
    """The newest good line; opens the device again when it was silent for too long."""

    def __init__(self, options: dict[str, Any]) -> None:
        """Raises SoakdError for options that cannot be meant; a device that is not there now is a gap."""
        unknown = options.keys() - _OPTIONS
        if unknown or not isinstance(options.get("device"), str):
            raise SoakdError(f"options are device, baud, silence-s, fields; not {', '.join(sorted(unknown)) or 'none'}")
        self._device = options["device"]
        self._speed = _speed(options.get("baud", 115_200))
        self._silence_s = float(options.get("silence-s", 2.5))
        fields = options.get("fields", {"T": "coolant-temperature"})
        self._fields = {letter: _role(role) for letter, role in fields.items()}
        self._port: int | None = None
        self._pending = b""
        self._values: dict[str, float] = {}
        self._heard_s = 0.0
        self._garbled = 0

    def channels(self) -> list[Channel]:
        return [Channel(name=letter, role=role) for letter, role in self._fields.items()]

    def read(self) -> tuple[dict[str, float], dict[str, str]]:
        try:
            self._listen()
        except BlockingIOError:
            return self._nothing("for now: another process reads this device")
        except OSError as error:
            self._close()
            return self._nothing(f"the device cannot be read: {error.strerror}")
        silent_s = perf_counter() - self._heard_s
        if silent_s > self._silence_s:
            self._close()
            return self._nothing(f"no good line for {self._silence_s:g} s, {self._garbled} garbled so far")
        if not self._values:
            return self._nothing("for now: no whole line yet")
        return self._values, {letter: "not in the newest line" for letter in self._fields if letter not in self._values}

    def _nothing(self, why: str) -> tuple[dict[str, float], dict[str, str]]:
        return {}, dict.fromkeys(self._fields, why)

    def _listen(self) -> None:
        """Take what has come; never waits, and never goes on for ever."""
        port = self._opened()
        for _ in range(_MOST_READS):
            chunk = _some(port)
            if not chunk:
                return
            *lines, rest = (self._pending + chunk).split(b"\n")
            self._pending = rest[-_MOST_BYTES:]
            for line in lines:
                self._take(line)

    def _take(self, line: bytes) -> None:
        match = _LINE.fullmatch(line)
        if match is None or reduce(xor, match["fields"]) != int(match["check"], 16):
            self._garbled += 1
            return
        pairs = (field.split("=") for field in match["fields"].decode("ascii").split(" "))
        self._values = {letter: float(number) for letter, number in pairs if letter in self._fields}
        self._heard_s = perf_counter()

    def _opened(self) -> int:
        """Raw, at its speed, and ours alone. Raises OSError."""
        if self._port is None:
            port = os.open(self._device, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
            try:
                fcntl.flock(port, fcntl.LOCK_EX | fcntl.LOCK_NB)
                _make_raw(port, self._speed)
            except termios.error as error:
                os.close(port)
                raise OSError(error.args[0], "it is no serial line") from error
            except OSError:
                os.close(port)
                raise
            self._port, self._pending, self._values = port, b"", {}
            self._heard_s = perf_counter()
        return self._port

    def _close(self) -> None:
        if self._port is not None:
            os.close(self._port)
            self._port = None


def _some(port: int) -> bytes:
    try:
        return os.read(port, _MOST_BYTES)
    except BlockingIOError:
        return b""


def _make_raw(port: int, speed: int) -> None:
    """No line editing, no modem control (termios(3))."""
    tty.setraw(port)
    mode = termios.tcgetattr(port)
    mode[2] |= termios.CLOCAL | termios.CREAD
    mode[4] = mode[5] = speed
    termios.tcsetattr(port, termios.TCSANOW, mode)


def _speed(baud: Any) -> int:
    speed = getattr(termios, f"B{baud}", None)
    if not isinstance(speed, int):
        raise SoakdError(f"baud {baud}: no such speed; 9600 and 115200 are common")
    return speed


def _role(name: Any) -> Role:
    try:
        return Role(name)
    except ValueError:
        raise SoakdError(f"there is no role {name!r}") from None


def sensors(options: dict[str, Any]) -> Coolant:
    return Coolant(options)
