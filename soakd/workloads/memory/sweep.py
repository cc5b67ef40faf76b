"""Sweep kernels: fused read, verify and write over memory, up and down, as IR text.

A group is four vectors.  Its words are loaded, compared with the address-dependent background (kept by one vector
addition per vector, no multiply), and only then written.  The write comes from the background, never from the data: an
error is reported once and does not travel.

Lines are asked for ahead of the sweep, as a core's own prefetching does up to the end of each page.  So the array is
read some lines ahead of what is written, in the march's order; it is written when the caches give the lines up.

Between groups the march's direction holds.  Within one (64 to 256 bytes) all reads precede all writes, in no set
order: caches move whole lines, so the array never sees those words apart.  Coupling within a group is therefore covered
as it is within a word, by backgrounds that change from march to march.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from soakd.workloads.memory.pieces import (
    BASE,
    COMMON,
    READ_PRODUCT,
    WRITE_PRODUCT,
    Pieces,
    parameter,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from soakd.workloads.classes import InstructionClass

VECTORS: Final = 4


def group_words(target: InstructionClass) -> int:
    """64-bit words in one group."""
    return VECTORS * target.register_bits // 64


class _Sweep(Pieces):
    """Writes one kernel in one direction."""

    def __init__(self, target: InstructionClass, beside: Sequence[str], *, ascending: bool) -> None:
        super().__init__(target, VECTORS)
        self._beside = beside
        self.stride = self.group if ascending else -self.group

    def sequence(self, name: str, product: int) -> list[str]:
        """Prepare one background: the starting vectors and the step between groups."""
        lines = self.background(name, product) + self.splat(f"{name}.first", f"%{name}.product.word")
        lines += [f"%{name}.jump = mul i64 %{name}.factor.word, {self.stride}"]
        lines += self.splat(f"{name}.step", f"%{name}.jump")
        return lines + [f"%{name}.start{j} = add {self.kind} %{name}.first, %{name}.off{j}" for j in self.vectors]

    def phis(self, name: str) -> list[str]:
        return [
            f"%{name}.t{j} = phi {self.kind} [ %{name}.start{j}, %entry ], [ %{name}.n{j}, %write ]"
            for j in self.vectors
        ]

    def steps(self, name: str) -> list[str]:
        return [f"%{name}.n{j} = add {self.kind} %{name}.t{j}, %{name}.step" for j in self.vectors]

    def kernel(self, name: str, *, reads: bool, writes: str) -> str:
        """One sweep; what it writes is named after the background that keeps the products, or is empty."""
        kept = [*(["read"] if reads else []), *(["write"] if writes == "write" else [])]
        lines = [f"define void @{name}(ptr %parameters, i64 %count) {{", "entry:", *parameter("base", BASE)]
        lines += ["%begin = inttoptr i64 %base.word to ptr"]
        lines += self.sequence("read", READ_PRODUCT) if reads else []
        lines += self.sequence("write", WRITE_PRODUCT) if writes else []
        lines += ["br label %loop", "loop:", "%i = phi i64 [ 0, %entry ], [ %i.next, %write ]"]
        lines += ["%here = phi ptr [ %begin, %entry ], [ %then, %write ]"]
        lines += [line for background in kept for line in self.phis(background)]
        lines += [*self.fetches(self.stride, writes=bool(writes)), *self.places()]
        lines += [*self.verify(), *self.note("%i")] if reads else ["br label %write"]
        lines += ["write:", *(self.stores(writes) if writes else []), *(self._beside if reads else [])]
        lines += [line for background in kept for line in self.steps(background)]
        lines += [f"%then = getelementptr i64, ptr %here, i64 {self.stride}", "%i.next = add i64 %i, 1"]
        lines += ["%more = icmp ne i64 %i.next, %count", "br i1 %more, label %loop, label %done"]
        return "\n".join([*lines, "done:", "ret void", "}"])


FILL: Final = "soakd_fill"
UP: Final = "soakd_up"
DOWN: Final = "soakd_down"
RENEW: Final = "soakd_renew"
READ_UP: Final = "soakd_read_up"
READ_DOWN: Final = "soakd_read_down"
KERNELS: Final = (FILL, UP, DOWN, RENEW, READ_UP, READ_DOWN)
DESCENDING: Final = (DOWN, READ_DOWN)


def functions(target: InstructionClass, beside: Sequence[str] = ()) -> dict[str, str]:
    """Return each sweep for one class; up and down write what was read under another mask, or under the same.

    `beside`: what is done after each group that was verified, in text.
    """
    up, down = _Sweep(target, beside, ascending=True), _Sweep(target, beside, ascending=False)
    return {
        FILL: up.kernel(FILL, reads=False, writes="write"),
        UP: up.kernel(UP, reads=True, writes="read"),
        DOWN: down.kernel(DOWN, reads=True, writes="read"),
        RENEW: up.kernel(RENEW, reads=True, writes="write"),
        READ_UP: up.kernel(READ_UP, reads=True, writes=""),
        READ_DOWN: down.kernel(READ_DOWN, reads=True, writes=""),
    }


def kernels_text(target: InstructionClass, beside: Sequence[str] = ()) -> str:
    """Return all sweeps for one class as one module."""
    return "\n".join((*functions(target, beside).values(), COMMON))
