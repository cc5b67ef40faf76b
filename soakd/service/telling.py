"""Telling somebody: what happened is written down first and sent afterwards, at least once.

`tell` and `collect` belong to the thread that owns the journal; sending happens in threads of its own. A message counts
as sent when its target said so; if the daemon ends in between, it is sent again. Nothing here is ever waited for.
"""

from __future__ import annotations

import queue
import socket
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING

import structlog

from soakd.clock import utc_text
from soakd.errors import StoreError
from soakd.rules.telling import line_news, one_line, quiet_until, retry_after_s, told_of
from soakd.service.due import local_zone, zone
from soakd.service.outbox import Attempt, Result, carry, send_through_apprise
from soakd.store.outbox import Draft, MemoryOutbox, MessageCounts

if TYPE_CHECKING:
    from collections.abc import Callable

    from soakd.clock import Clock
    from soakd.model.configuration import Configuration, Occasion, Target
    from soakd.rules.telling import News
    from soakd.service.outbox import Send
    from soakd.store.outbox import Box, Message

DEADLINE_S = 60.0
"""A try that takes longer has failed; if it succeeds after all, the message counts as sent."""
MOST_HUNG = 3
"""Hanging tries of one target beyond which no further one is begun until one of them comes back."""
LATE_S = 120.0
"""Age from which a message says when it was written."""
LONGEST_ERROR = 300
GONE = "no target of this name is in the configuration any more"
_log = structlog.get_logger(__name__)


@dataclass(slots=True, kw_only=True)
class _Flight:
    """A try that is under way."""

    message: Message
    box: Box
    deadline_s: float
    hung: bool = False
    """Past its deadline, and already counted as failed."""


class Teller:
    """Writes messages, has them sent, keeps what became of them."""

    def __init__(
        self, outbox: Box, configuration: Configuration, clock: Clock, *, send: Send = send_through_apprise
    ) -> None:
        """Raises UsageError for a zone that there is not."""
        self._boxes: tuple[Box, Box] = (outbox, MemoryOutbox())
        self._clock = clock
        self._send = send
        self._zone = zone(configuration.zone or local_zone())
        self._bench = configuration.bench or socket.gethostname()
        self._targets = {target.name: target for target in configuration.targets}
        self._results: queue.SimpleQueue[Result] = queue.SimpleQueue()
        self._flights: dict[int, _Flight] = {}
        self._number = 0
        self._unkept: list[tuple[int, Callable[[], None]]] = []
        """What could not be written of a message yet; until it is, that message is not tried again."""
        self._journal_lost = False

    def tell(self, news: News) -> int:
        """Write one message for each target that asked for it; their number. Never waits, never raises StoreError.

        While the journal cannot be written, messages are kept in memory and sent from there.
        """
        now = self._now()
        drafts = [self._draft(news, target, now) for target in told_of(news, self._targets.values())]
        try:
            self._boxes[0].add(drafts)
        except StoreError as error:
            self._boxes[1].add(drafts)
            _log.error("messages are kept in memory only", occasion=news.occasion, error=error.message)
        return len(drafts)

    def tell_line(self, occasion: Occasion, text: str) -> int:
        """The same for what is said in one line."""
        return self.tell(line_news(occasion, text))

    def collect(self) -> None:
        """Keep what became of the tries, and put due messages on their way. Call it about once a second.

        Never raises StoreError: while the journal cannot be used, it is tried again at every call.
        """
        unkept, self._unkept = self._unkept, []
        for message_id, step in unkept:
            self._keep(message_id, step)
        self._take_results()
        self._count_the_hung()
        for box in self._boxes:
            try:
                self._dispatch(box)
            except StoreError as error:
                self._say_lost(error)

    def counts(self) -> MessageCounts:
        """Raises StoreError."""
        kept, spare = (box.counts() for box in self._boxes)
        return MessageCounts(
            waiting=kept.waiting + spare.waiting,
            sent=kept.sent + spare.sent,
            given_up=kept.given_up + spare.given_up,
        )

    def forget(self, age_s: float) -> None:
        """Delete messages that were sent or given up and are older. Raises StoreError."""
        for box in self._boxes:
            box.forget(utc_text(self._clock.wall() - age_s))

    def _draft(self, news: News, target: Target, now: datetime) -> Draft:
        quiet = None if news.urgent else quiet_until(target.quiet, now, self._zone)
        return Draft(
            created_utc=_text(now),
            occasion=news.occasion,
            target=target.name,
            subject=news.subject(self._bench),
            body=news.body,
            next_at_utc=_text(quiet or now),
            urgent=news.urgent,
        )

    def _dispatch(self, box: Box) -> None:
        """At most one message to each target at a time, the oldest first."""
        now = self._now()
        waiting = {message_id for message_id, _ in self._unkept}
        for message in box.due(_text(now)):
            target = self._targets.get(message.target)
            if message.message_id in waiting:
                continue
            if target is None:
                self._give_up(message, box, GONE)
            elif not message.urgent and (until := quiet_until(target.quiet, now, self._zone)):
                self._keep(message.message_id, partial(box.put_off, message.message_id, _text(until)))
            elif self._is_free(target.name):
                self._try(message, box, target, now)

    def _is_free(self, target: str) -> bool:
        hung = [flight.hung for flight in self._flights.values() if flight.message.target == target]
        return all(hung) and len(hung) < MOST_HUNG

    def _try(self, message: Message, box: Box, target: Target, now: datetime) -> None:
        self._number += 1
        addition = self._addition(message, now, lost=box.lost(target.name))
        self._flights[self._number] = _Flight(message=message, box=box, deadline_s=self._clock.monotonic() + DEADLINE_S)
        attempt = Attempt(number=self._number, message=message, url=target.url, addition=addition)
        try:
            carry(attempt, self._send, self._results)
        except RuntimeError as error:
            self._results.put(Result(number=self._number, error=f"no thread for it: {error}"))

    def _addition(self, message: Message, now: datetime, *, lost: int) -> str:
        """What a late reader must know: when it happened, and that others never came."""
        created = datetime.fromisoformat(message.created_utc)
        said = []
        if (now - created).total_seconds() >= LATE_S:
            said.append(f"This is late: it happened on {created.astimezone(self._zone):%a %d %b at %H:%M}.")
        if lost:
            said.append(f"{lost} earlier message{'s' if lost > 1 else ''} to you could never be delivered.")
        return " ".join(said)

    def _take_results(self) -> None:
        while not self._results.empty():
            result = self._results.get()
            flight = self._flights.pop(result.number)
            if result.error is None:
                number = flight.message.message_id
                self._keep(number, partial(flight.box.sent, number, _text(self._now())))
                _log.info("told", target=flight.message.target, subject=flight.message.subject)
            elif not flight.hung:
                self._failed(flight, result.error)

    def _count_the_hung(self) -> None:
        now_s = self._clock.monotonic()
        for flight in self._flights.values():
            if not flight.hung and now_s >= flight.deadline_s:
                flight.hung = True
                self._failed(flight, f"no answer within {DEADLINE_S:g} s")

    def _failed(self, flight: _Flight, error: str) -> None:
        message = flight.message
        wait_s = retry_after_s(message.attempt + 1)
        if wait_s is None:
            self._give_up(message, flight.box, error)
            return
        text = one_line(error, LONGEST_ERROR)
        next_at = _text(self._now() + timedelta(seconds=wait_s))
        self._keep(message.message_id, partial(flight.box.failed, message.message_id, text, next_at))
        _log.warning("could not tell", target=message.target, subject=message.subject, error=text, again_utc=next_at)

    def _give_up(self, message: Message, box: Box, error: str) -> None:
        text = one_line(error, LONGEST_ERROR)
        self._keep(message.message_id, partial(box.failed, message.message_id, text, None))
        _log.error("message given up", target=message.target, subject=message.subject, error=text)

    def _keep(self, message_id: int, step: Callable[[], None]) -> None:
        try:
            step()
        except StoreError as error:
            self._unkept.append((message_id, step))
            self._say_lost(error)
        else:
            self._journal_lost = False

    def _say_lost(self, error: StoreError) -> None:
        """Once, and again after it had worked in between."""
        if not self._journal_lost:
            _log.error("messages wait for the journal", error=error.message)
        self._journal_lost = True

    def _now(self) -> datetime:
        return datetime.fromtimestamp(self._clock.wall(), UTC)


def _text(moment: datetime) -> str:
    return utc_text(moment.timestamp())
