"""Memory workload: read, verify and write whole cache lines in an order that nothing can predict, new in every sweep.

Every line of the share is visited exactly once in each sweep (`order`), and leaves with a fresh background.  Rows,
banks and channels change with every access, where a sweep stays in a row as long as it can; and couplings between any
two places meet both orders of access in time, by chance.

The line to be visited `AHEAD` steps later is fetched in advance.  Without that a 128-bit class takes twice as long for
a whole line as for a part of it (measured: 39 and 18 ns; fetched in advance, 12 and 11 ns): the instructions of a few
lines fill the core's window, and only as many misses are under way.  It is fetched into the second cache, which has
room for more lines on their way than the first: 48 ahead was 1.3 to 1.7 times as fast as 16 ahead into the first.
"""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING, Final

from soakd.workloads.base import Fault
from soakd.workloads.memory import pieces, sweep
from soakd.workloads.memory.march import KNOWN, RENEWED, Background
from soakd.workloads.memory.marching import check_kernel
from soakd.workloads.memory.order import Order, Region, regions
from soakd.workloads.memory.pieces import LINE_BYTES, WORD_BYTES, Pieces, fetch, flushes, own, parameter
from soakd.workloads.memory.places import Places
from soakd.workloads.memory.share import Share
from soakd.workloads.memory.sweeper import Parameters, Sweeper
from soakd.workloads.memory.tasks import CHUNK_BYTES, MemoryProgram, Stretch

if TYPE_CHECKING:
    from collections.abc import Mapping

    from soakd.workloads.base import Beat
    from soakd.workloads.classes import InstructionClass
    from soakd.workloads.ir import Kernel

KERNEL: Final = "soakd_permuted"
AHEAD: Final = 48
LINE_WORDS: Final = LINE_BYTES // WORD_BYTES
_FILL_WORDS: Final = (16 << 20) // WORD_BYTES
_KNOWN_LINES: Final = 32

# The kernel's own parameters.
_OWN: Final = ("index", "ahead", "multiplier", "increment", "last", "fold")


class _Permuted(Pieces):
    """Writes the kernel; a group is one line."""

    def __init__(self, target: InstructionClass) -> None:
        super().__init__(target, LINE_BYTES * 8 // target.register_bits)

    def _line(self, name: str, value: str) -> list[str]:
        return [
            f"%{name}.high = lshr i64 {value}, %fold.word",
            f"%{name} = xor i64 {value}, %{name}.high",
            f"%{name}.byte = shl i64 %{name}, {LINE_BYTES.bit_length() - 1}",
            f"%{name}.to = getelementptr i8, ptr %begin, i64 %{name}.byte",
        ]

    def _follow(self, value: str) -> list[str]:
        return [
            f"%{value}.m = mul i64 %{value}, %multiplier.word",
            f"%{value}.a = add i64 %{value}.m, %increment.word",
            f"%{value}.next = and i64 %{value}.a, %last.word",
        ]

    def _products(self, name: str) -> list[str]:
        """Return the products of the line's words, from its number."""
        lines = [f"%{name}.p = mul i64 %line, %{name}.line", f"%{name}.q = add i64 %{name}.p, %{name}.product.word"]
        lines += self.splat(f"{name}.first", f"%{name}.q")
        return lines + [f"%{name}.t{j} = add {self.kind} %{name}.first, %{name}.off{j}" for j in self.vectors]

    def text(self) -> str:
        lines = [f"define void @{KERNEL}(ptr %parameters, i64 %count) {{", "entry:", *parameter("base", pieces.BASE)]
        lines += ["%begin = inttoptr i64 %base.word to ptr"]
        for name, product in (("read", pieces.READ_PRODUCT), ("write", pieces.WRITE_PRODUCT)):
            lines += self.background(name, product)
            lines += [f"%{name}.line = mul i64 %{name}.factor.word, {LINE_WORDS}"]
        for word, name in enumerate(_OWN):
            lines += parameter(name, own(self.group, word))
        lines += ["br label %loop", "loop:", "%i = phi i64 [ 0, %entry ], [ %i.next, %write ]"]
        lines += ["%x = phi i64 [ %index.word, %entry ], [ %x.next, %write ]"]
        lines += ["%a = phi i64 [ %ahead.word, %entry ], [ %a.next, %write ]"]
        lines += [*self._line("soon", "%a"), fetch("%soon.to", writes=False, cache=2)]
        lines += [*self._line("line", "%x"), "%here = getelementptr i8, ptr %line.to, i64 0", *self.places()]
        lines += [*self._products("read"), *self.verify(), *self.note("%line"), "write:"]
        lines += [*self._products("write"), *self.stores("write"), *self._follow("x"), *self._follow("a")]
        lines += ["%i.next = add i64 %i, 1", "%more = icmp ne i64 %i.next, %count"]
        lines += ["br i1 %more, label %loop, label %done", "done:", "store i64 %x.next, ptr %index.at", "ret void", "}"]
        return "\n".join(lines)


class LineVisitor:
    """Runs the kernel over stretches of an order."""

    def __init__(self, kernels: Mapping[str, Kernel], address: int, places: Places) -> None:
        self._kernel = kernels[KERNEL]
        self._address = address
        self._places = places
        self._parameters = Parameters(LINE_WORDS)

    def run(self, order: Order, step: int, count: int, read: Background, write: Background) -> tuple[int, list[Fault]]:
        """Visit `count` lines from `step` on; returns how many words were wrong (at least) and the faults kept."""
        region, words = order.region, self._parameters.words
        first = region.first * LINE_WORDS
        words[pieces.BASE] = self._address + first * WORD_BYTES
        self._parameters.grounds(first, read, write)
        at, last = own(LINE_WORDS, 0), region.lines - 1
        values = [order.at(step), order.at(step + AHEAD), order.multiplier, order.increment, last, region.fold]
        words[at : at + len(_OWN)] = [*values]
        self._kernel(self._parameters.address, count)
        wrong, faults = self._parameters.faults(
            self._places,
            lambda number, i: first + number * LINE_WORDS + i,
            lambda number, i: read.word(first + number * LINE_WORDS + i),
        )
        reached = order.at(step + count)
        if words[at] != reached:
            faults.append(Fault(where="place reached in the order of lines", expected=reached, actual=words[at]))
            wrong += 1
        return wrong, faults


class PermutedWalk:
    """The place in a sweep: region and step."""

    step_bytes = LINE_BYTES

    def __init__(self, visitor: LineVisitor, lines: int) -> None:
        self._visitor = visitor
        self._regions = regions(lines)
        self.background, self.next_background = Background.fresh(), Background.fresh()
        self._region = self._step = 0
        self.order = Order.fresh(self._regions[0])

    def advance(self, steps: int) -> Stretch:
        """Visit up to so many lines, to the end of the region at most."""
        count = min(steps, self.order.region.lines - self._step)
        wrong, faults = self._visitor.run(self.order, self._step, count, self.background, self.next_background)
        self._step += count
        sweeps = self._end_region() if self._step == self.order.region.lines else 0
        return Stretch(steps=count, bytes_moved=2 * count * LINE_BYTES, wrong=wrong, faults=faults, sweeps=sweeps)

    def _end_region(self) -> int:
        self._step = 0
        self._region = (self._region + 1) % len(self._regions)
        self.order = Order.fresh(self._regions[self._region])
        if self._region:
            return 0
        self.background, self.next_background = self.next_background, Background.fresh()
        return 1

    def upcoming(self, place: int) -> int:
        """Choose a byte of the line that is visited next."""
        return self.order.line(self._step) * LINE_BYTES + place % LINE_BYTES


class PermutedDesign:
    """Permuted visits of whole lines."""

    kernels: tuple[str, ...] = (KERNEL, sweep.FILL)
    unit_bytes = CHUNK_BYTES

    def __init__(self, target: InstructionClass) -> None:
        self.name = f"memory/permuted ({target.name})"
        self._target = target

    def text(self) -> str:
        """The kernel, and the sweep that fills a share at first."""
        return "\n".join((_Permuted(self._target).text(), sweep.functions(self._target)[sweep.FILL], pieces.COMMON))

    def walk(self, kernels: Mapping[str, Kernel], share: Share, beat: Beat) -> PermutedWalk:
        """Fill the share with the first background."""
        places = Places(share.address, share.size_bytes, flushed=flushes(self._target))
        walk = PermutedWalk(LineVisitor(kernels, share.address, places), share.size_bytes // LINE_BYTES)
        sweeper = Sweeper(kernels, self._target, share.address, places)
        words = share.size_bytes // WORD_BYTES
        for first in range(0, words, _FILL_WORDS):
            sweeper.run(sweep.FILL, first, min(first + _FILL_WORDS, words), walk.background, walk.background)
            beat()
        return walk

    def complaint(self, kernels: Mapping[str, Kernel]) -> tuple[str, str] | None:
        """Visit a few lines, one of them wrong, in two stretches; and try the sweep."""
        complaint = check_kernel(sweep.FILL, kernels, self._target)
        if complaint:
            return sweep.FILL, complaint
        read, write = KNOWN, RENEWED
        share = Share(CHUNK_BYTES, lambda: None)
        begin = words = _KNOWN_LINES * LINE_WORDS
        buffer = (ctypes.c_uint64 * (begin + words)).from_address(share.address)
        buffer[:] = [read.word(i) for i in range(begin + words)]
        planted = begin + words // 2 + 3
        buffer[planted] ^= 1 << 41
        order = Order(region=Region(first=_KNOWN_LINES, bits=_KNOWN_LINES.bit_length() - 1), multiplier=13, increment=7)
        places = Places(share.address, share.size_bytes, flushed=flushes(self._target))
        visitor = LineVisitor(kernels, share.address, places)
        stretches = (visitor.run(order, 0, 13, read, write), visitor.run(order, 13, _KNOWN_LINES - 13, read, write))
        found = [(fault.expected, fault.actual) for _, faults in stretches for fault in faults]
        left = [read.word(i) for i in range(begin)] + [write.word(begin + i) for i in range(words)]
        if list(buffer) != left:
            return KERNEL, "it does not leave the words it should"
        right = found == [(read.word(planted), read.word(planted) ^ 1 << 41)]
        return None if right else (KERNEL, f"one planted fault, {len(found)} reported")


def build(target: InstructionClass, *, text: str | None = None) -> MemoryProgram:
    """Compile the kernel for one class; `text` replaces it (a test's broken variant)."""
    return MemoryProgram(PermutedDesign(target), target, text=text)
