"""Hooks around runs: apply before, undo after, whatever happens in between. At most one is in effect."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.rules.telling import line_news
from soakd.service.hooks import HookCall

if TYPE_CHECKING:
    from collections.abc import Callable

    from soakd.model.entry import Entry
    from soakd.rules.telling import News
    from soakd.service.dispatcher import Dispatcher
    from soakd.service.hooks import Verb
    from soakd.store.queue import Queue


class HookKeeper:
    """Raises StoreError when the journal fails; a hook that fails is told and its entry held."""

    def __init__(
        self, queue: Queue, dispatcher: Dispatcher, tell: Callable[[News], object], poke: Callable[[], None]
    ) -> None:
        self._queue = queue
        self._dispatcher = dispatcher
        self._tell = tell
        self._poke = poke
        self._entry: Entry | None = None
        self._call: HookCall | None = None
        self._left_over: list[Entry] = []

    @property
    def busy(self) -> bool:
        return self._call is not None or bool(self._left_over)

    def recover(self) -> None:
        self._left_over = self._queue.with_hook_on()
        self._undo_left_over()

    def apply(self, entry: Entry) -> None:
        """On record first: a crash from here on leaves a trace, and the next start undoes."""
        self._queue.hook_on(entry, on=True)
        self._begin(entry, "apply")

    def undo(self) -> None:
        """Take back what is in effect, if anything is."""
        if self._entry is not None:
            self._begin(self._entry, "undo")

    def turn(self) -> Entry | None:
        """Looks at the call that goes on; returns the entry whose settings have just come into effect."""
        if self._call is None or self._call.result is None:
            return None
        result, entry = self._call.result, self._entry
        self._call = None
        if entry is None:
            return None
        if result.verb == "undo":
            self._undone(entry, result.trouble)
            return None
        if result.trouble is not None:
            self._dispatcher.hold(entry, result.trouble)
            self.undo()
            return None
        return entry

    def _undone(self, entry: Entry, trouble: str | None) -> None:
        self._entry = None
        self._queue.hook_on(entry, on=False)
        if trouble is not None:
            text = f"{trouble}: settings of {entry.plan.name} may still be in effect"
            self._tell(line_news("not-started", text))
        self._undo_left_over()

    def _undo_left_over(self) -> None:
        if self._left_over:
            self._begin(self._left_over.pop(), "undo")

    def _begin(self, entry: Entry, verb: Verb) -> None:
        if entry.hook is None or entry.sheet is None:
            raise RuntimeError("only entries with a hook and a sheet come here")
        self._entry = entry
        self._call = HookCall(entry.hook, verb, entry.sheet, self._poke)
