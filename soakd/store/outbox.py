"""Messages on their way to somebody: written before they are sent, so that a restart loses none.

Two of one shape: one in the journal, and one in memory for what happens while the journal cannot be written.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from soakd.store.writer import Writer


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A message that has just been written, for one target."""

    created_utc: str
    occasion: str
    target: str
    """By name; its address stays in the configuration."""
    subject: str
    body: str
    next_at_utc: str
    """Earliest moment of the first try."""
    urgent: bool = False
    """Goes out in a quiet time too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """A message that waits."""

    message_id: int
    created_utc: str
    occasion: str
    target: str
    subject: str
    body: str
    urgent: bool
    attempt: int
    """How often it has been tried."""
    next_at_utc: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageLine:
    """A message and what became of it. Given up: neither a next moment nor a sent one."""

    message_id: int
    created_utc: str
    occasion: str
    target: str
    subject: str
    body: str
    urgent: bool
    attempt: int
    next_at_utc: str | None
    sent_utc: str | None
    error: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageCounts:
    """How many messages there are of each kind."""

    waiting: int
    sent: int
    given_up: int


class Box(Protocol):
    """What both kinds can do."""

    def add(self, drafts: list[Draft]) -> None:
        """All of them or none."""

    def due(self, now_utc: str) -> list[Message]:
        """Those that may be tried now, oldest first."""

    def sent(self, message_id: int, at_utc: str) -> None:
        """It got through."""

    def failed(self, message_id: int, error: str, next_at_utc: str | None) -> None:
        """It did not; without a next moment it is given up. Nothing changes for one that has got through."""

    def put_off(self, message_id: int, next_at_utc: str) -> None:
        """Not tried, only later."""

    def lost(self, target: str) -> int:
        """How many to this target were given up since one got through."""

    def counts(self) -> MessageCounts: ...

    def lines(self, most: int) -> list[MessageLine]:
        """The latest, newest first."""

    def forget(self, before_utc: str) -> None:
        """Delete what was sent or given up and is older; nothing that waits."""


class Outbox:
    """In the journal. Only the thread that owns the writer may use it; everything raises StoreError."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer

    def add(self, drafts: list[Draft]) -> None:
        rows = [(d.created_utc, d.occasion, d.target, d.subject, d.body, int(d.urgent), d.next_at_utc) for d in drafts]
        if rows:
            self._writer.write([("insert_message", row) for row in rows])

    def due(self, now_utc: str) -> list[Message]:
        names = Message.__dataclass_fields__
        rows = self._writer.read("due_messages", now_utc)
        return [Message(**{**dict(zip(names, row, strict=True)), "urgent": bool(row[6])}) for row in rows]

    def sent(self, message_id: int, at_utc: str) -> None:
        self._writer.write([("message_sent", (at_utc, message_id))])

    def failed(self, message_id: int, error: str, next_at_utc: str | None) -> None:
        self._writer.write([("message_failed", (next_at_utc, error, message_id))])

    def put_off(self, message_id: int, next_at_utc: str) -> None:
        self._writer.write([("message_put_off", (next_at_utc, message_id))])

    def lost(self, target: str) -> int:
        ((count,),) = self._writer.read("lost_to_target", target)
        return int(count)

    def counts(self) -> MessageCounts:
        ((waiting, sent, given_up),) = self._writer.read("count_messages")
        return MessageCounts(waiting=waiting, sent=sent, given_up=given_up)

    def lines(self, most: int) -> list[MessageLine]:
        names = MessageLine.__dataclass_fields__
        rows = self._writer.read("list_messages", most)
        return [MessageLine(**{**dict(zip(names, row, strict=True)), "urgent": bool(row[6])}) for row in rows]

    def forget(self, before_utc: str) -> None:
        self._writer.write([("forget_messages", (before_utc,))])


class MemoryOutbox:
    """In memory, with negative numbers; lost at a restart, and better than silence while the drive is full."""

    def __init__(self) -> None:
        self._lines: dict[int, MessageLine] = {}
        self._number = 0

    def add(self, drafts: list[Draft]) -> None:
        for draft in drafts:
            self._number -= 1
            self._lines[self._number] = MessageLine(
                message_id=self._number,
                created_utc=draft.created_utc,
                occasion=draft.occasion,
                target=draft.target,
                subject=draft.subject,
                body=draft.body,
                urgent=draft.urgent,
                attempt=0,
                next_at_utc=draft.next_at_utc,
                sent_utc=None,
                error=None,
            )

    def due(self, now_utc: str) -> list[Message]:
        return [
            Message(
                message_id=line.message_id,
                created_utc=line.created_utc,
                occasion=line.occasion,
                target=line.target,
                subject=line.subject,
                body=line.body,
                urgent=line.urgent,
                attempt=line.attempt,
                next_at_utc=line.next_at_utc,
            )
            for line in self._lines.values()
            if line.next_at_utc is not None and line.next_at_utc <= now_utc
        ]

    def sent(self, message_id: int, at_utc: str) -> None:
        line = self._lines[message_id]
        self._lines[message_id] = replace(line, sent_utc=at_utc, attempt=line.attempt + 1, next_at_utc=None, error=None)

    def failed(self, message_id: int, error: str, next_at_utc: str | None) -> None:
        line = self._lines[message_id]
        if line.sent_utc is None:
            self._lines[message_id] = replace(line, error=error, attempt=line.attempt + 1, next_at_utc=next_at_utc)

    def put_off(self, message_id: int, next_at_utc: str) -> None:
        self._lines[message_id] = replace(self._lines[message_id], next_at_utc=next_at_utc)

    def lost(self, target: str) -> int:
        own = [line for line in self._lines.values() if line.target == target]
        latest = min((line.message_id for line in own if line.sent_utc is not None), default=0)
        return sum(_given_up(line) and (latest == 0 or line.message_id < latest) for line in own)

    def counts(self) -> MessageCounts:
        every = self._lines.values()
        return MessageCounts(
            waiting=sum(line.next_at_utc is not None for line in every),
            sent=sum(line.sent_utc is not None for line in every),
            given_up=sum(map(_given_up, every)),
        )

    def lines(self, most: int) -> list[MessageLine]:
        return sorted(self._lines.values(), key=lambda line: line.message_id)[:most]

    def forget(self, before_utc: str) -> None:
        self._lines = {
            number: line
            for number, line in self._lines.items()
            if line.next_at_utc is not None or line.created_utc >= before_utc
        }


def _given_up(line: MessageLine) -> bool:
    return line.next_at_utc is None and line.sent_utc is None
