"""Memory workload: chains of loads in which each tells where the next one goes, every link verified and renewed.

One word of each cache line holds a link: the number that follows the line's own in a full-period recurrence (`order`),
hidden under an address-dependent background so that all 64 bits matter.  What is loaded decides the next address; what
the recurrence says decides whether it is right, link by link, before it is followed.  Each visited line leaves with its
link in another order on another background, so a lap also tests what the lap before wrote, and each lap takes another
word of the lines, drawn anew.  Chains share one order: chain j starts j/n of the way round, so together they visit each
line exactly once in a lap, and the places they reach are held against the recurrence's closed form.

One chain waits for the whole latency of memory at every step and loads the core with nothing else; eight keep the
queues of core and controller full with accesses that no prefetcher can guess.
"""

from __future__ import annotations

from typing import Final

from soakd.workloads.base import FAULTS_KEPT
from soakd.workloads.memory import pieces
from soakd.workloads.memory.pieces import COMMON, LINE_BYTES, fetch, own, parameter, slot_words

LINKS: Final = "soakd_links"
CHASE: Final = "soakd_chase"
KERNELS: Final = (LINKS, CHASE)

# A kernel's own parameters; the chains' places follow.
OWN: Final = ("target", "multiplier", "increment", "new.multiplier", "new.increment", "last", "fold")
LINE_WORDS: Final = LINE_BYTES // pieces.WORD_BYTES
_LINE_SHIFT: Final = LINE_BYTES.bit_length() - 1


def _prologue(name: str, chains: int) -> list[str]:
    lines = [f"define void @{name}(ptr %parameters, i64 %count) {{", "entry:", *parameter("base", pieces.BASE)]
    for ground, product in (("read", pieces.READ_PRODUCT), ("write", pieces.WRITE_PRODUCT)):
        for word, part in enumerate(("product", "factor", "mask")):
            lines += parameter(f"{ground}.{part}", product + word)
        lines += [f"%{ground}.line = mul i64 %{ground}.factor.word, {LINE_WORDS}"]
    for word, part in enumerate(OWN):
        lines += parameter(part, own(chains, word))
    for j in range(chains):
        lines += parameter(f"start{j}", own(chains, len(OWN) + j))
    return [*lines, "%begin = inttoptr i64 %base.word to ptr", "%to = inttoptr i64 %target.word to ptr"]


def _place(j: int) -> list[str]:
    """From a chain's value of the recurrence to the address of its line; inside the share, whatever the value."""
    return [
        f"%low{j} = and i64 %x{j}, %last.word",
        f"%high{j} = lshr i64 %low{j}, %fold.word",
        f"%line{j} = xor i64 %low{j}, %high{j}",
        f"%byte{j} = shl i64 %line{j}, {_LINE_SHIFT}",
        f"%here{j} = getelementptr i8, ptr %begin, i64 %byte{j}",
    ]


def _link(j: int, ground: str, order: str, index: str, line: str) -> list[str]:
    """Make the link that a line holds: its successor in one order under one background."""
    name = f"{ground}{j}"
    return [
        f"%{name}.m = mul i64 {index}, %{order}multiplier.word",
        f"%{name}.a = add i64 %{name}.m, %{order}increment.word",
        f"%{name}.next = and i64 %{name}.a, %last.word",
        f"%{name}.p = mul i64 {line}, %{ground}.line",
        f"%{name}.q = add i64 %{name}.p, %{ground}.product.word",
        f"%{name}.hide = xor i64 %{name}.q, %{ground}.mask.word",
        f"%{name}.link = xor i64 %{name}.next, %{name}.hide",
    ]


def _fetch(j: int) -> list[str]:
    """Ask for the next line as soon as its link is there, before the others are; a wrong link only asks in vain."""
    return [
        f"%near{j}.high = lshr i64 %found{j}, %fold.word",
        f"%near{j} = xor i64 %found{j}, %near{j}.high",
        f"%near{j}.byte = shl i64 %near{j}, {_LINE_SHIFT}",
        f"%near{j}.to = getelementptr i8, ptr %begin, i64 %near{j}.byte",
        fetch(f"%near{j}.to", writes=True),
    ]


def _links_text(chains: int) -> str:
    """Write the first links into lines begin..begin+count."""
    lines = [*_prologue(LINKS, chains), "br label %loop", "loop:", "%i = phi i64 [ 0, %entry ], [ %i.next, %loop ]"]
    lines += ["%line0 = add i64 %i, %start0.word", "%high = lshr i64 %line0, %fold.word", "%x = xor i64 %line0, %high"]
    lines += [*_link(0, "write", "new.", "%x", "%line0"), f"%byte = shl i64 %line0, {_LINE_SHIFT}"]
    lines += ["%there = getelementptr i8, ptr %to, i64 %byte", "store i64 %write0.link, ptr %there"]
    lines += ["%i.next = add i64 %i, 1", "%more = icmp ne i64 %i.next, %count"]
    return "\n".join([*lines, "br i1 %more, label %loop, label %done", "done:", "ret void", "}"])


def _note(chains: int, *, flushed: bool) -> list[str]:
    """Count a wrong step and, while there is room, keep its number, its links as read and as read again."""
    lines = ["note:", f"%seen.at = getelementptr i64, ptr %parameters, i64 {pieces.FAULT_GROUPS}"]
    lines += ["%seen = load i64, ptr %seen.at", "%seen.next = add i64 %seen, 1", "store i64 %seen.next, ptr %seen.at"]
    lines += [f"%room = icmp ult i64 %seen, {FAULTS_KEPT}", "br i1 %room, label %keep, label %mend", "keep:"]
    lines += [
        f"%slot.offset = mul i64 %seen, {slot_words(chains)}",
        f"%slot.word = add i64 %slot.offset, {pieces.SLOTS}",
    ]
    lines += ["%slot = getelementptr i64, ptr %parameters, i64 %slot.word", "store i64 %i, ptr %slot"]
    for reading in range(1 + pieces.REREADS):
        for j in range(chains):
            name = f"%k{reading}.{j}"
            lines += [f"{name}.at = getelementptr i64, ptr %slot, i64 {1 + reading * chains + j}"]
            if reading and flushed:
                lines += [f'call void asm sideeffect "clflush ($0)", "r,~{{memory}}"(ptr %here{j})']
                lines += ['call void asm sideeffect "mfence", "~{memory}"()']
            lines += [f"{name} = load volatile i64, ptr %here{j}"] if reading else []
            lines += [f"store i64 {name if reading else f'%d{j}'}, ptr {name}.at"]
    return [*lines, "br label %mend", "mend:", "br label %write"]


def _chase_text(chains: int, *, flushed: bool) -> str:
    """Follow all chains by `count` links; a wrong link is noted, and the chain goes on where it should."""
    each = range(chains)
    lines = [*_prologue(CHASE, chains), "br label %loop", "loop:", "%i = phi i64 [ 0, %entry ], [ %i.next, %write ]"]
    lines += [f"%x{j} = phi i64 [ %start{j}.word, %entry ], [ %follow{j}, %write ]" for j in each]
    for j in each:
        lines += _place(j)
    lines += [f"%d{j} = load i64, ptr %here{j}" for j in each]
    for j in each:
        lines += _link(j, "read", "", f"%x{j}", f"%line{j}")
        lines += [f"%found{j} = xor i64 %d{j}, %read{j}.hide", f"%e{j} = xor i64 %d{j}, %read{j}.link"]
        lines += _fetch(j)
    lines += ["%o0 = or i64 %e0, 0", *(f"%o{j} = or i64 %o{j - 1}, %e{j}" for j in each[1:])]
    lines += [f"%bad = icmp ne i64 %o{chains - 1}, 0", "br i1 %bad, label %note, label %write, !prof !0"]
    lines += [*_note(chains, flushed=flushed), "write:"]
    lines += [f"%follow{j} = phi i64 [ %found{j}, %loop ], [ %read{j}.next, %mend ]" for j in each]
    for j in each:
        lines += _link(j, "write", "new.", f"%x{j}", f"%line{j}")
        lines += [f"%there{j} = getelementptr i8, ptr %to, i64 %byte{j}", f"store i64 %write{j}.link, ptr %there{j}"]
    lines += ["%i.next = add i64 %i, 1", "%more = icmp ne i64 %i.next, %count"]
    lines += ["br i1 %more, label %loop, label %done", "done:"]
    lines += [f"store i64 %follow{j}, ptr %start{j}.at" for j in each]
    return "\n".join([*lines, "ret void", "}"])


def kernels_text(chains: int, *, flushed: bool) -> str:
    """Return both kernels for so many chains; `flushed`: wrong links are flushed from the caches and read again."""
    return "\n".join((_links_text(chains), _chase_text(chains, flushed=flushed), COMMON))
