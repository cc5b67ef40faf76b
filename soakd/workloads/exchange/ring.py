"""Ring: each core sends messages to the next one, the last to the first, through a queue of 64 lines without locks.

A message fills one line with eight consecutive values of the sender's stream, x -> a*x + c modulo 2^64.  The sender
stores them and then the count of messages sent (release); the receiver loads that count (acquire), then the message,
compares it with its own evaluation of the same stream, and stores the count of messages received, which gives the line
back.  So every word of every message is held against its value, and its place in the stream is its sequence number:
a message that comes too early (its count seen before its words), twice, not at all, torn or altered differs at once.
Where both streams stand at the end is held against the closed form, so that two cores that err alike are found too.
Each queue has one writer for each of its two counts, as in L. Lamport, "Specifying concurrent program modules", ACM
TOPLAS 5 (1983).

When all have stopped and met, whatever was sent must be visible: each receives what is still in its queue and must
then have received just as many as were sent.  On x86-64 plain loads and stores are ordered enough for this protocol by
the architecture (stores become visible in program order, loads are done in it); a kernel without release and acquire
would be wrong by the language and still pass there.  On aarch64 they are separate instructions.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final

from soakd.splitmix import split_mix
from soakd.workloads.base import FAULTS_KEPT, Fault
from soakd.workloads.chain import KERNEL
from soakd.workloads.closedform import WORD, jump
from soakd.workloads.exchange.area import LINE_WORDS, Area
from soakd.workloads.exchange.joint import OPERANDS, JointProgram, Part, generator
from soakd.workloads.exchange.turns import loaded_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.workloads.blocks import Block
    from soakd.workloads.classes import InstructionClass

SLOTS: Final = 64
"""Messages that may be under way in one queue; a power of two."""
QUEUE_WORDS: Final = (2 + SLOTS) * LINE_WORDS
"""The count of messages sent, the count received, each on a line of its own, then the slots."""
OUT, IN, MULTIPLIER, INCREMENT, SEND, RECEIVE, SENT, RECEIVED, LIMIT, WRONG, NOTES = range(11)
"""Words of a seat's block: addresses of its two queues, operands, the places of both streams, messages sent, received
and allowed to be sent, wrong ones received, and then for the first of these a note each: number and words."""
_NOTE_WORDS: Final = 1 + LINE_WORDS
_NO_LIMIT: Final = WORD - 1
_ROOM_WAIT_S: Final = 1.0


def _words(pointer: str, stream: str, *, receive: bool) -> list[str]:
    """Eight values of the stream, stored into the slot or held against it."""
    lines = []
    for i in range(LINE_WORDS):
        value = f"%{stream}{i}"
        lines.append(f"%{stream}.at{i} = getelementptr i64, ptr {pointer}, i64 {i}")
        if receive:
            lines += [
                f"%got{i} = load i64, ptr %{stream}.at{i}",
                f"%xor{i} = xor i64 %got{i}, {value}",
                f"%any{i + 1} = or i64 %any{i}, %xor{i}" if i else "%any1 = or i64 %xor0, 0",
            ]
        else:
            lines.append(f"store i64 {value}, ptr %{stream}.at{i}")
        lines += [f"%{stream}.m{i} = mul i64 {value}, %a", f"%{stream}{i + 1} = add i64 %{stream}.m{i}, %c"]
    return lines


def _slot(name: str, queue: str, number: str) -> list[str]:
    return [
        f"%{name}.in = and i64 {number}, {SLOTS - 1}",
        f"%{name}.row = add i64 %{name}.in, 2",
        f"%{name} = getelementptr [{LINE_WORDS} x i64], ptr {queue}, i64 %{name}.row",
    ]


def _send() -> list[str]:
    return [
        "%taken = load atomic i64, ptr %out.taken acquire, align 8",
        "%under.way = sub i64 %sent, %taken",
        f"%room = icmp ult i64 %under.way, {SLOTS}",
        "%allowed = icmp ult i64 %sent, %limit",
        "%both = and i1 %room, %allowed",
        "br i1 %both, label %send, label %listen",
        "send:",
        *_slot("to", "%out", "%sent"),
        *_words("%to", "x", receive=False),
        "%sent.one = add i64 %sent, 1",
        "store atomic i64 %sent.one, ptr %out release, align 8",
        "br label %listen",
        "listen:",
        "%sent.now = phi i64 [ %sent, %attempt ], [ %sent.one, %send ]",
        f"%x.now = phi i64 [ %x0, %attempt ], [ %x{LINE_WORDS}, %send ]",
    ]


def _receive() -> list[str]:
    return [
        "%there = load atomic i64, ptr %in acquire, align 8",
        "%new = icmp ne i64 %there, %received",
        "br i1 %new, label %receive, label %next",
        "receive:",
        *_slot("from", "%in", "%received"),
        *_words("%from", "y", receive=True),
        f"%bad = icmp ne i64 %any{LINE_WORDS}, 0",
        "br i1 %bad, label %note, label %give",
        "note:",
        f"%wrong.at = getelementptr i64, ptr %block, i64 {WRONG}",
        "%wrong = load i64, ptr %wrong.at",
        "%wrong.one = add i64 %wrong, 1",
        "store i64 %wrong.one, ptr %wrong.at",
        f"%keep = icmp ult i64 %wrong, {FAULTS_KEPT}",
        "br i1 %keep, label %write, label %give",
        "write:",
        f"%note.words = mul i64 %wrong, {_NOTE_WORDS}",
        f"%note.first = add i64 %note.words, {NOTES}",
        "%note.at = getelementptr i64, ptr %block, i64 %note.first",
        "store i64 %received, ptr %note.at",
        *(
            line
            for i in range(LINE_WORDS)
            for line in (
                f"%note.at{i} = getelementptr i64, ptr %note.at, i64 {1 + i}",
                f"store i64 %got{i}, ptr %note.at{i}",
            )
        ),
        "br label %give",
        "give:",
        "%received.one = add i64 %received, 1",
        "store atomic i64 %received.one, ptr %in.taken release, align 8",
        "br label %next",
        "next:",
        "%received.now = phi i64 [ %received, %listen ], [ %received.one, %give ]",
        f"%y.now = phi i64 [ %y0, %listen ], [ %y{LINE_WORDS}, %give ]",
    ]


def kernel_text() -> str:
    """`count` attempts, each to send one message and to receive one."""
    lines = [f"define void @{KERNEL}(ptr %block, i64 %count) {{", "entry:", "%out = load ptr, ptr %block"]
    words = {
        "a": MULTIPLIER, "c": INCREMENT, "x": SEND, "y": RECEIVE, "sent.old": SENT, "received.old": RECEIVED,
        "limit": LIMIT,
    }  # fmt: skip
    lines += loaded_words(words)
    evolving = {"sent": "sent.old", "received": "received.old", "x0": "x", "y0": "y"}
    now = {"sent": "sent.now", "received": "received.now", "x0": "x.now", "y0": "y.now"}
    lines += [
        f"%in.at = getelementptr i64, ptr %block, i64 {IN}",
        "%in = load ptr, ptr %in.at",
        f"%out.taken = getelementptr i64, ptr %out, i64 {LINE_WORDS}",
        f"%in.taken = getelementptr i64, ptr %in, i64 {LINE_WORDS}",
        "br label %attempt",
        "attempt:",
        "%left = phi i64 [ %count, %entry ], [ %less, %next ]",
        *(f"%{name} = phi i64 [ %{old}, %entry ], [ %{now[name]}, %next ]" for name, old in evolving.items()),
        *_send(),
        *_receive(),
        "%less = sub i64 %left, 1",
        "%more = icmp ne i64 %less, 0",
        "br i1 %more, label %attempt, label %done",
        "done:",
        *(f"store i64 %{now[name]}, ptr %{old}.at" for name, old in evolving.items()),
        "ret void",
        "}",
    ]
    return "\n".join(lines)


class Ring:
    """The exchange. Queue k leads from seat k to the next one."""

    name = "exchange/ring (scalar)"
    record_words = 1
    closing_count = SLOTS

    def text(self) -> str:
        return kernel_text()

    def shared_words(self, workers: int) -> int:
        return workers * QUEUE_WORDS

    def lay(self, seed: int, workers: int, shared: Area) -> None:  # noqa: ARG002  (the slots need nothing)
        for queue in range(workers):
            shared.put(queue * QUEUE_WORDS, [0] * (LINE_WORDS + 1))

    def block(self, part: Part, address: int) -> list[int]:
        before = (part.seat - 1) % part.workers
        queues = (address + 8 * QUEUE_WORDS * seat for seat in (part.seat, before))
        starts = (split_mix(part.seed, OPERANDS + seat) for seat in (part.seat, before))
        return [
            *queues, *generator(part.seed), *starts, 0, 0, _NO_LIMIT, 0, *[0] * (FAULTS_KEPT * _NOTE_WORDS)
        ]  # fmt: skip

    def done(self, block: Block) -> int:
        return block[RECEIVED]

    def close(self, part: Part, block: Block) -> list[int]:  # noqa: ARG002
        """Send nothing more; how many were sent."""
        block[LIMIT] = block[SENT]
        return [block[SENT]]

    def faults(
        self,
        part: Part,
        block: Block,
        shared: Area,  # noqa: ARG002  (each message was held against its values when it came)
        records: Sequence[Sequence[int]],
    ) -> tuple[int, list[Fault]]:
        before = (part.seat - 1) % part.workers
        wrong = []
        for note in range(min(block[WRONG], FAULTS_KEPT)):
            first = NOTES + note * _NOTE_WORDS
            number, *words = block[first : first + _NOTE_WORDS]
            wrong += _differing(number, words, part, before)
        for word, count, start in ((SEND, SENT, part.seat), (RECEIVE, RECEIVED, before)):
            expected = place(part.seed, start, block[count])
            if block[word] != expected:
                where = f"place in the stream of seat {start} as seat {part.seat} has it"
                wrong.append(Fault(where=where, expected=expected, actual=block[word]))
        sent = records[before][0]
        if block[RECEIVED] != sent:
            where = f"count of the messages received from seat {before}"
            wrong.append(Fault(where=where, expected=sent, actual=block[RECEIVED]))
        return len(wrong) + max(block[WRONG] - FAULTS_KEPT, 0), wrong

    def plant(self, part: Part, bit: int, block: Block, shared: Area) -> None:
        """Send one message by hand, with one bit inverted before its receiver can see it."""
        queue = part.seat * QUEUE_WORDS
        deadline_s = time.perf_counter() + _ROOM_WAIT_S
        while block[SENT] - shared.load(queue + LINE_WORDS) >= SLOTS:
            if time.perf_counter() > deadline_s:
                return  # the receiver stands still: nothing was planted, and the drill will say so
            time.sleep(0.0001)
        word, place = divmod(bit % (64 * LINE_WORDS), 64)
        slot = queue + (2 + block[SENT] % SLOTS) * LINE_WORDS
        message, block[SEND] = values(part.seed, block[SEND])
        message[word] ^= 1 << place
        shared.put(slot, message)
        block[SENT] += 1
        shared.store(queue, block[SENT])


def place(seed: int, sender: int, messages: int) -> int:
    """Where a sender's stream stands after so many messages."""
    scale, offset = jump(*generator(seed), messages * LINE_WORDS, WORD)
    return (scale * split_mix(seed, OPERANDS + sender) + offset) % WORD


def values(seed: int, x: int) -> tuple[list[int], int]:
    """The message that begins with `x`, and what the next one begins with."""
    a, c = generator(seed)
    message = []
    for _ in range(LINE_WORDS):
        message.append(x)
        x = (a * x + c) % WORD
    return message, x


def _differing(number: int, words: Sequence[int], part: Part, sender: int) -> list[Fault]:
    message, _ = values(part.seed, place(part.seed, sender, number))
    return [
        Fault(where=f"word {i} of message {number} from seat {sender}", expected=want, actual=got)
        for i, (want, got) in enumerate(zip(message, words, strict=True))
        if want != got
    ]


def build(target: InstructionClass, *, text: str | None = None) -> JointProgram:
    """Compile the kernel; `text` replaces it (a test's broken variant)."""
    return JointProgram(Ring(), target, text=text)
