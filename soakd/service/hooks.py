"""Runs a tuner's hook with limits: no shell, a bare environment, a deadline, a group of its own that can be killed.

A hook changes what the bench runs with, so only a program that nobody but root or the daemon's own user can alter is
called, and what it says is never taken alone: the snapshot afterwards must not contradict the sheet either.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import signal
import stat
import subprocess
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from soakd.errors import RefusedError
from soakd.rules.declared import differing

if TYPE_CHECKING:
    from collections.abc import Callable

    from soakd.model.entry import Hook
    from soakd.model.sheet import Sheet

Verb = Literal["apply", "confirm", "undo"]
MOST_OUTPUT_BYTES = 64 * 1024
_ENVIRONMENT = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C.UTF-8"}
_MOST_FILE_BYTES = 16 * 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class HookResult:
    """How a call went."""

    verb: Verb
    trouble: str | None
    """Why it did not do what it should; None when it did."""


def refuse_unsafe(hook: Hook) -> None:
    """Raises RefusedError for a program that is not there, not absolute, or that others could change."""
    path = Path(hook.command[0])
    if not path.is_absolute():
        raise RefusedError(f"hook {path}: give the absolute path of a program")
    try:
        place = path.resolve(strict=True)
        about = [place.stat(), place.parent.stat()]
    except OSError as error:
        raise RefusedError(f"hook {path}: {error.strerror}") from error
    if not os.access(place, os.X_OK) or not place.is_file():
        raise RefusedError(f"hook {path}: not a program that may be run")
    for each in about:
        if each.st_uid not in {0, os.geteuid()} or each.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
            raise RefusedError(
                f"hook {path}: others than root and the daemon's user could change it",
                hint="chown it (and its folder) to root and take write permission from group and others",
            )


class HookCall:
    """One call in a thread of its own; `result` is set when it is over, and then `done` is called."""

    def __init__(self, hook: Hook, verb: Verb, sheet: Sheet, done: Callable[[], None]) -> None:
        self.result: HookResult | None = None
        self._hook = hook
        self._verb = verb
        self._sheet = sheet
        self._done = done
        threading.Thread(target=self._run, name=f"hook-{verb}", daemon=True).start()

    def _run(self) -> None:
        try:
            self.result = call(self._hook, self._verb, self._sheet)
            if self._verb == "apply" and self.result.trouble is None:
                self.result = call(self._hook, "confirm", self._sheet)
        finally:
            self._done()


def call(hook: Hook, verb: Verb, sheet: Sheet) -> HookResult:
    """One call, to its end or its deadline. Never raises."""
    try:
        refuse_unsafe(hook)
        with subprocess.Popen(  # noqa: S603 - a checked absolute path, no shell
            [*hook.command, verb],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env=_ENVIRONMENT,
            cwd="/",
            start_new_session=True,
        ) as process:
            resource.prlimit(process.pid, resource.RLIMIT_CORE, (0, 0))
            resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (_MOST_FILE_BYTES, _MOST_FILE_BYTES))
            return HookResult(verb=verb, trouble=_trouble(process, hook, verb, sheet))
    except (OSError, RefusedError, subprocess.SubprocessError) as error:
        return HookResult(verb=verb, trouble=f"hook {verb}: {error}")


def _trouble(process: subprocess.Popen[bytes], hook: Hook, verb: Verb, sheet: Sheet) -> str | None:
    try:
        output, _ = process.communicate(sheet.model_dump_json().encode(), timeout=hook.timeout_s)
    except subprocess.TimeoutExpired:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        return f"hook {verb}: not done after {hook.timeout_s:g} s, killed"
    text = output[:MOST_OUTPUT_BYTES].decode(errors="replace").strip()
    if process.returncode != 0:
        return f"hook {verb}: ended with {process.returncode}: {text[-300:] or 'it said nothing'}"
    return _contradiction(text, sheet) if verb == "confirm" else None


def _contradiction(text: str, sheet: Sheet) -> str | None:
    """What the hook says is in effect must be an object, must speak of every declared value, and must not differ."""
    try:
        stated = json.loads(text)
    except ValueError:
        stated = None
    if not isinstance(stated, dict):
        return "hook confirm: it must print a JSON object of what is in effect"
    silent = {key.strip().lower() for key in sheet.values} - {str(key).strip().lower() for key in stated}
    if silent:
        return f"hook confirm: it does not speak of {', '.join(sorted(silent))}"
    wrong = differing(sheet, stated, "confirmed")
    return f"hook confirm: {'; '.join(wrong)}" if wrong else None
