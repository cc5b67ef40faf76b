"""The pieces that memory kernels are written from: parameters, backgrounds, verification, what is kept of a fault.

A group is the words that are loaded, compared and (perhaps) written together; one branch per group leaves the loop when
any bit differs.  A wrong group is kept as it was read, and is then read a few times more before anything is written
over it: on x86-64 its cache lines are flushed before each of these readings, so that they come from the array.  A fault
that is gone then was a transfer or a cache's; one that stays is in the array, or was written wrong.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from soakd.workloads.base import FAULTS_KEPT
from soakd.workloads.classes import architecture
from soakd.workloads.splat import splat

if TYPE_CHECKING:
    from soakd.workloads.classes import InstructionClass

# 64-bit words of the parameter block, alike in all kernels that verify.
BASE: Final = 0
READ_PRODUCT: Final = 1
READ_FACTOR: Final = 2
READ_MASK: Final = 3
WRITE_PRODUCT: Final = 4
WRITE_FACTOR: Final = 5
WRITE_MASK: Final = 6
FAULT_GROUPS: Final = 7
SLOTS: Final = 8

OWN_WORDS: Final = 32
FAR_BYTES: Final = 3072
NEAR_BYTES: Final = 512
"""How far ahead a sweep asks for its lines: for the second cache, then for the first.

Of the distances tried on two families of cores (1 to 16 KiB, and 0.25 to 2 KiB) none was better by more than 5 % on one
without being worse by as much on the other.
"""
REREADS: Final = 3
"""How often a wrong group is read again."""
LINE_BYTES: Final = 64
"""A cache line, the unit of a flush; right for the x86-64 cores of today, and no flush is done elsewhere."""
WORD_BYTES: Final = 8
COMMON: Final = """declare void @llvm.prefetch.p0(ptr, i32, i32, i32)
!0 = !{!"branch_weights", i32 1, i32 1000000}"""
"""To be appended to a module of kernels that verify or fetch ahead."""


def slot_words(group_words: int) -> int:
    """Words of one slot: the group's number, its words as read, and as read again each time."""
    return 1 + group_words * (1 + REREADS)


def parameter_words(group_words: int) -> int:
    """Words of the parameter block: the fixed ones, one slot for each fault kept, then a kernel's own."""
    return SLOTS + FAULTS_KEPT * slot_words(group_words) + OWN_WORDS


def own(group_words: int, word: int) -> int:
    """Place in the block of a kernel's own word."""
    return SLOTS + FAULTS_KEPT * slot_words(group_words) + word


def fetch(address: str, *, writes: bool, cache: int = 1) -> str:
    """Ask for a line ahead of its use, into the first or second cache; nothing waits for it, and no place is wrong."""
    return f"call void @llvm.prefetch.p0(ptr {address}, i32 {int(writes)}, i32 {4 - cache}, i32 1)"


def flushes(target: InstructionClass) -> bool:
    """Whether the readings repeated for a wrong group come from beyond the caches."""
    return "x86-64" in target.cpu_names and architecture() == "x86-64"


def parameter(name: str, word: int) -> list[str]:
    """Load one word of the parameter block."""
    return [
        f"%{name}.at = getelementptr i64, ptr %parameters, i64 {word}",
        f"%{name}.word = load i64, ptr %{name}.at",
    ]


class Pieces:
    """Parts of one kernel; all share the vector type, the group's size and the names of its pieces."""

    def __init__(self, target: InstructionClass, vectors: int) -> None:
        self.lanes = target.register_bits // 64
        self.kind = f"<{self.lanes} x i64>"
        self.bits = target.register_bits
        self.vectors = range(vectors)
        self.group = vectors * self.lanes
        self._flushes = flushes(target)

    def splat(self, name: str, scalar: str) -> list[str]:
        """Fill a vector with one scalar."""
        return splat(name, "i64", scalar, self.lanes)

    def background(self, name: str, product: int) -> list[str]:
        """Load a background's three words; make its mask, and the products' offsets within a group."""
        lines = parameter(f"{name}.product", product) + parameter(f"{name}.factor", product + 1)
        lines += parameter(f"{name}.mask", product + 2) + self.splat(f"{name}.mask", f"%{name}.mask.word")
        lines += self.splat(f"{name}.by", f"%{name}.factor.word")
        for j in self.vectors:
            places = ", ".join(f"i64 {j * self.lanes + lane}" for lane in range(self.lanes))
            lines += [f"%{name}.off{j} = mul {self.kind} %{name}.by, <{places}>"]
        return lines

    def places(self) -> list[str]:
        """Where the group's vectors are, %here being its first word."""
        return [f"%w{j} = getelementptr i64, ptr %here, i64 {j * self.lanes}" for j in self.vectors]

    def fetches(self, stride: int, *, writes: bool) -> list[str]:
        """Ask for the lines that later groups in the direction of `stride` will want, in the order they will.

        Far ahead for the second cache, to be read; near for the first, and for writing if so.  A core has room for more
        lines on their way to its second cache than to its first, and its own prefetching ends with each 4-KiB page.
        """
        way = 1 if stride > 0 else -1
        lines = []
        for byte in range(0, self.group * WORD_BYTES, LINE_BYTES)[::way]:
            lines += [
                f"%far{byte} = getelementptr i8, ptr %here, i64 {byte + way * FAR_BYTES}",
                f"%near{byte} = getelementptr i8, ptr %here, i64 {byte + way * NEAR_BYTES}",
                fetch(f"%far{byte}", writes=False, cache=2),
                fetch(f"%near{byte}", writes=writes),
            ]
        return lines

    def verify(self) -> list[str]:
        """Load a group, compare it with %read.t, and go to note when any bit differs, else to write."""
        kind = self.kind
        lines = [f"%d{j} = load {kind}, ptr %w{j}" for j in self.vectors]
        for j in self.vectors:
            lines += [f"%x{j} = xor {kind} %read.t{j}, %read.mask", f"%e{j} = xor {kind} %d{j}, %x{j}"]
        wrong = [f"%e{j}" for j in self.vectors]
        while len(wrong) > 1:
            lines += [f"{wrong[0]}.o = or {kind} {wrong[0]}, {wrong[1]}"]
            wrong = [*wrong[2:], f"{wrong[0]}.o"]
        lines += [f"%any = bitcast {kind} {wrong[0]} to i{self.bits}", f"%bad = icmp ne i{self.bits} %any, 0"]
        return [*lines, "br i1 %bad, label %note, label %write, !prof !0"]

    def note(self, number: str) -> list[str]:
        """Count a bad group and, while there is room, keep its number, its words, and its words as read again."""
        lines = [
            "note:",
            f"%seen.at = getelementptr i64, ptr %parameters, i64 {FAULT_GROUPS}",
            "%seen = load i64, ptr %seen.at",
            "%seen.next = add i64 %seen, 1",
            "store i64 %seen.next, ptr %seen.at",
            f"%room = icmp ult i64 %seen, {FAULTS_KEPT}",
            "br i1 %room, label %keep, label %write",
            "keep:",
            f"%slot.offset = mul i64 %seen, {slot_words(self.group)}",
            f"%slot.word = add i64 %slot.offset, {SLOTS}",
            "%slot = getelementptr i64, ptr %parameters, i64 %slot.word",
            f"store i64 {number}, ptr %slot",
            *self._kept("k", "%d", 1),
        ]
        for again in range(REREADS):
            lines += self._flush(again)
            lines += [f"%r{again}.{j} = load volatile {self.kind}, ptr %w{j}" for j in self.vectors]
            lines += self._kept(f"k{again}.", f"%r{again}.", 1 + self.group * (1 + again))
        return [*lines, "br label %write"]

    def _kept(self, at: str, value: str, word: int) -> list[str]:
        lines = []
        for j in self.vectors:
            lines += [
                f"%{at}{j} = getelementptr i64, ptr %slot, i64 {word + j * self.lanes}",
                f"store {self.kind} {value}{j}, ptr %{at}{j}, align 8",
            ]
        return lines

    def _flush(self, again: int) -> list[str]:
        if not self._flushes:
            return []
        lines = []
        for byte in range(0, self.group * WORD_BYTES, LINE_BYTES):
            lines += [
                f"%l{again}.{byte} = getelementptr i8, ptr %here, i64 {byte}",
                f'call void asm sideeffect "clflush ($0)", "r,~{{memory}}"(ptr %l{again}.{byte})',
            ]
        return [*lines, 'call void asm sideeffect "mfence", "~{memory}"()']

    def stores(self, background: str) -> list[str]:
        """Write a group from the named products and the write background's mask."""
        lines = [f"%y{j} = xor {self.kind} %{background}.t{j}, %write.mask" for j in self.vectors]
        return lines + [f"store {self.kind} %y{j}, ptr %w{j}" for j in self.vectors]
