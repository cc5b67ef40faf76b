"""Sweep kernels: fused read, verify and write over memory, up and down, as IR text, and the parameters they share.

A group is four vectors.  Its words are loaded, compared with the address-dependent background (kept by one vector
addition per vector, no multiply), and only then written; one branch per group leaves the loop when any bit differs, and
notes the group with the data as read.  The write comes from the background, never from the data: an error is reported
once and does not travel.

Between groups the march's direction holds.  Within one (64 to 256 bytes) all reads precede all writes, in no set
order: caches move whole lines, so the array never sees those words apart.  Coupling within a group is therefore covered
as it is within a word, by backgrounds that change from march to march.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from soakd.workloads.base import FAULTS_KEPT

if TYPE_CHECKING:
    from soakd.workloads.classes import InstructionClass

VECTORS: Final = 4

# 64-bit words of the parameter block.
BASE: Final = 0
READ_PRODUCT: Final = 1
READ_FACTOR: Final = 2
READ_MASK: Final = 3
WRITE_PRODUCT: Final = 4
WRITE_FACTOR: Final = 5
WRITE_MASK: Final = 6
FAULT_GROUPS: Final = 7
SLOTS: Final = 8

_WEIGHTS: Final = '!0 = !{!"branch_weights", i32 1, i32 1000000}'


def group_words(target: InstructionClass) -> int:
    """64-bit words in one group."""
    return VECTORS * target.register_bits // 64


def parameter_words(target: InstructionClass) -> int:
    """Words of the parameter block: the fixed ones, then one slot (group number, data) for each fault kept."""
    return SLOTS + FAULTS_KEPT * (1 + group_words(target))


def _splat(kind: str, lanes: int, name: str, scalar: str) -> list[str]:
    return [
        f"%{name}.one = insertelement {kind} poison, i64 {scalar}, i32 0",
        f"%{name} = shufflevector {kind} %{name}.one, {kind} poison, <{lanes} x i32> zeroinitializer",
    ]


def _parameter(name: str, word: int) -> list[str]:
    return [
        f"%{name}.at = getelementptr i64, ptr %parameters, i64 {word}",
        f"%{name}.word = load i64, ptr %{name}.at",
    ]


class _Text:
    """Writes one kernel; the pieces share the vector type and the direction."""

    def __init__(self, target: InstructionClass, *, ascending: bool) -> None:
        self.lanes = target.register_bits // 64
        self.kind = f"<{self.lanes} x i64>"
        self.bits = target.register_bits
        self.group = VECTORS * self.lanes
        self.ascending = ascending

    def sequence(self, name: str, product: int) -> list[str]:
        """Prepare one background: four starting vectors, the step between groups, the mask."""
        kind, lanes = self.kind, self.lanes
        lines = _parameter(f"{name}.product", product) + _parameter(f"{name}.factor", product + 1)
        lines += _parameter(f"{name}.mask", product + 2) + _splat(kind, lanes, f"{name}.mask", f"%{name}.mask.word")
        lines += _splat(kind, lanes, f"{name}.first", f"%{name}.product.word")
        lines += _splat(kind, lanes, f"{name}.by", f"%{name}.factor.word")
        lines += [f"%{name}.jump = mul i64 %{name}.factor.word, {self.group if self.ascending else -self.group}"]
        lines += _splat(kind, lanes, f"{name}.step", f"%{name}.jump")
        for j in range(VECTORS):
            places = ", ".join(f"i64 {j * lanes + lane}" for lane in range(lanes))
            lines += [
                f"%{name}.off{j} = mul {kind} %{name}.by, <{places}>",
                f"%{name}.start{j} = add {kind} %{name}.first, %{name}.off{j}",
            ]
        return lines

    def phis(self, name: str) -> list[str]:
        return [
            f"%{name}.t{j} = phi {self.kind} [ %{name}.start{j}, %entry ], [ %{name}.n{j}, %write ]"
            for j in range(VECTORS)
        ]

    def steps(self, name: str) -> list[str]:
        return [f"%{name}.n{j} = add {self.kind} %{name}.t{j}, %{name}.step" for j in range(VECTORS)]

    def verify(self) -> list[str]:
        """Load a group, compare it, and branch away when any bit differs."""
        kind = self.kind
        lines = [f"%d{j} = load {kind}, ptr %w{j}" for j in range(VECTORS)]
        for j in range(VECTORS):
            lines += [f"%x{j} = xor {kind} %read.t{j}, %read.mask", f"%e{j} = xor {kind} %d{j}, %x{j}"]
        lines += [f"%o0 = or {kind} %e0, %e1", f"%o1 = or {kind} %e2, %e3", f"%o = or {kind} %o0, %o1"]
        lines += [f"%any = bitcast {kind} %o to i{self.bits}", f"%bad = icmp ne i{self.bits} %any, 0"]
        return [*lines, "br i1 %bad, label %note, label %write, !prof !0"]

    def note(self) -> list[str]:
        """Count a bad group and, while there is room, keep its number and its data."""
        slot = 1 + self.group
        lines = [
            "note:",
            f"%seen.at = getelementptr i64, ptr %parameters, i64 {FAULT_GROUPS}",
            "%seen = load i64, ptr %seen.at",
            "%seen.next = add i64 %seen, 1",
            "store i64 %seen.next, ptr %seen.at",
            f"%room = icmp ult i64 %seen, {FAULTS_KEPT}",
            "br i1 %room, label %keep, label %write",
            "keep:",
            f"%slot.offset = mul i64 %seen, {slot}",
            f"%slot.word = add i64 %slot.offset, {SLOTS}",
            "%slot = getelementptr i64, ptr %parameters, i64 %slot.word",
            "store i64 %i, ptr %slot",
        ]
        for j in range(VECTORS):
            lines += [
                f"%k{j} = getelementptr i64, ptr %slot, i64 {1 + j * self.lanes}",
                f"store {self.kind} %d{j}, ptr %k{j}, align 8",
            ]
        return [*lines, "br label %write"]

    def kernel(self, name: str, *, reads: bool, same: bool) -> str:
        """One sweep; `same` when what is written is what was read under another mask."""
        writes = "read" if same else "write"
        stride = self.group if self.ascending else -self.group
        lines = [f"define void @{name}(ptr %parameters, i64 %count) {{", "entry:", *_parameter("base", BASE)]
        lines += ["%begin = inttoptr i64 %base.word to ptr"]
        lines += self.sequence("read", READ_PRODUCT) if reads else []
        lines += self.sequence("write", WRITE_PRODUCT)
        lines += ["br label %loop", "loop:", "%i = phi i64 [ 0, %entry ], [ %i.next, %write ]"]
        lines += ["%here = phi ptr [ %begin, %entry ], [ %then, %write ]"]
        lines += self.phis("read") if reads else []
        lines += [] if same else self.phis("write")
        lines += [f"%w{j} = getelementptr i64, ptr %here, i64 {j * self.lanes}" for j in range(VECTORS)]
        lines += [*self.verify(), *self.note()] if reads else ["br label %write"]
        lines += ["write:"]
        lines += [f"%y{j} = xor {self.kind} %{writes}.t{j}, %write.mask" for j in range(VECTORS)]
        lines += [f"store {self.kind} %y{j}, ptr %w{j}" for j in range(VECTORS)]
        lines += self.steps("read") if reads else []
        lines += [] if same else self.steps("write")
        lines += [f"%then = getelementptr i64, ptr %here, i64 {stride}", "%i.next = add i64 %i, 1"]
        lines += ["%more = icmp ne i64 %i.next, %count", "br i1 %more, label %loop, label %done"]
        return "\n".join([*lines, "done:", "ret void", "}"])


FILL: Final = "soakd_fill"
UP: Final = "soakd_up"
DOWN: Final = "soakd_down"
RENEW: Final = "soakd_renew"
KERNELS: Final = (FILL, UP, DOWN, RENEW)


def kernels_text(target: InstructionClass) -> str:
    """Return all four sweeps for one class."""
    up, down = _Text(target, ascending=True), _Text(target, ascending=False)
    kernels = (
        up.kernel(FILL, reads=False, same=False),
        up.kernel(UP, reads=True, same=True),
        down.kernel(DOWN, reads=True, same=True),
        up.kernel(RENEW, reads=True, same=False),
    )
    return "\n".join((*kernels, _WEIGHTS))
