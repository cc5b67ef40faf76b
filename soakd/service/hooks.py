"""Calls a tuner's hook, which changes what the bench runs with.

What it says is never taken alone: the snapshot afterwards must not contradict the sheet either.
"""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from soakd.rules.declared import differing, unconfirmed
from soakd.service import commands

if TYPE_CHECKING:
    from collections.abc import Callable

    from soakd.model.entry import Hook
    from soakd.model.sheet import Sheet

Verb = Literal["apply", "confirm", "undo"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HookResult:
    """How a call went."""

    verb: Verb
    trouble: str | None
    """Why it did not do what it should; None when it did."""


def refuse_unsafe(hook: Hook) -> None:
    """Raises RefusedError for a program that is not there, not absolute, or that others could change."""
    commands.refuse_unsafe(hook.command[0], "hook")


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
    said = sheet.model_dump_json().encode()
    ended = commands.run_limited([*hook.command, verb], "hook", said, hook.timeout_s)
    if ended.trouble is not None:
        return HookResult(verb=verb, trouble=f"hook {verb}: {ended.trouble}")
    return HookResult(verb=verb, trouble=_contradiction(ended.output, sheet) if verb == "confirm" else None)


def _contradiction(text: str, sheet: Sheet) -> str | None:
    """What the hook says is in effect must be an object, must not leave out what it ought to say, and not differ."""
    try:
        stated = json.loads(text)
    except ValueError:
        stated = None
    if not isinstance(stated, dict):
        return "hook confirm: it must print a JSON object of what is in effect"
    silent = unconfirmed(sheet, stated)
    if silent:
        return f"hook confirm: it does not speak of {', '.join(silent)}"
    wrong = differing(sheet, stated, "confirmed")
    return f"hook confirm: {'; '.join(wrong)}" if wrong else None
