"""Carrying messages out: one thread for each try, so that a target that hangs holds up nobody else.

A thread cannot be ended from outside; one that hangs is left alone, its try counts as failed, and it does not keep the
process alive. What it says in the end still counts.
"""

from __future__ import annotations

import logging
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.rules.telling import without_address

if TYPE_CHECKING:
    import queue
    from collections.abc import Callable

    from soakd.store.outbox import Message

    Send = Callable[[str, str, str], str | None]
    """Address, subject, body; None when it got through, else why not. May raise, and may hang."""

_LOADING = threading.Lock()
"""The library loads its parts with the first address; two threads at once would each find half of them."""
ABSENT = "apprise is not installed here: pip install 'soakd[notify]'"


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One try to bring one message to its target."""

    number: int
    message: Message
    url: str
    addition: str = ""
    """Said below the message."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What became of it."""

    number: int
    error: str | None
    """None when it got through."""


def carry(attempt: Attempt, send: Send, results: queue.SimpleQueue[Result]) -> None:
    """Returns at once; exactly one result comes, however late, unless the process ends."""
    name = f"tell {attempt.message.target}"
    threading.Thread(target=_carried, args=(attempt, send, results), name=name, daemon=True).start()


def _carried(attempt: Attempt, send: Send, results: queue.SimpleQueue[Result]) -> None:
    message = attempt.message
    body = f"{message.body}\n\n{attempt.addition}" if attempt.addition else message.body
    try:
        error = send(attempt.url, message.subject, body)
    except Exception as problem:  # noqa: BLE001 - whatever a sender raises is a failed try, and told as one
        error = f"{type(problem).__name__}: {problem}"
    shown = None if error is None else without_address(str(error), attempt.url)
    results.put(Result(number=attempt.number, error=shown))


def send_through_apprise(url: str, subject: str, body: str) -> str | None:
    """One try. Loads the library on first use, in the calling thread.

    Without the library's own deadline: that would leave a hanging call to a pool which the interpreter waits for when
    it ends. Its own log is kept apart, because addresses stand in it.
    """
    try:
        import apprise  # noqa: PLC0415 - an optional extra, and slow to load
    except ImportError:
        return ABSENT
    log = logging.getLogger("apprise")
    log.propagate = False
    asset = apprise.AppriseAsset(app_id="soakd", app_desc="soakd", app_url="", storage_mode="memory")
    carrier = apprise.Apprise(asset=asset)
    with _LOADING:
        known = carrier.add(url)
    if not known:
        return "apprise does not know this kind of address, or a part of it is missing"
    result = carrier.notify(body=body, title=subject, body_format=apprise.NotifyFormat.TEXT)
    if result:
        return None
    said = [entry.message for entry in result.logs() if entry.level in {"WARNING", "ERROR"}]
    return "; ".join(said) or "the service did not take it"
