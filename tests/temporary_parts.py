"""One wrong bit in one temporary of a kernel, once, and what becomes of it.

The kernel's own text gets an exclusive or behind the line that makes the temporary. A fuse, counted down there, lets it
act in one turn only and in one lane; the kernel as it is goes on from the state that came of it, and the check is
asked. Where the kernel is assembly, an instruction that inverts one bit of the register follows the one that fills it.
"""

from __future__ import annotations

import ctypes
import faulthandler
import os
import re
import resource
import signal
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

from soakd.workloads.chain import KERNEL, ChainTask, block_of
from soakd.workloads.classes import CLASSES
from soakd.workloads.integer import branches, division, products, streams, wide
from soakd.workloads.integer import lanes as integer_lanes
from soakd.workloads.ir import compile_kernels
from soakd.workloads.vector import lanes as vector_lanes
from soakd.workloads.vector import matrix, pipes, roots, single

if TYPE_CHECKING:
    import random
    from array import array
    from collections.abc import Callable, Sequence

    from soakd.workloads.chain import Chain
    from soakd.workloads.ir import Kernel

CHAINS = {
    "vector/lanes": vector_lanes.Lanes,
    "vector/single": single.chain_of,
    "vector/pipes": pipes.chain_of,
    "vector/roots": roots.chain_of,
    "vector/matrix": matrix.Matrix,
    "integer/streams": lambda _: streams.Streams(),
    "integer/wide": lambda _: wide.Wide(),
    "integer/products": lambda _: products.Products(),
    "integer/division": lambda _: division.here(),
    "integer/lanes": integer_lanes.Lanes,
    "integer/branches": lambda _: branches.Branches(),
}
TEXT_NAMES = {
    "vector/matrix": {
        **{name: f"%{name}0_0" for name in ("a", "w", "s", "z", "q", "mq")},
        "sum": "%x1_0_0",
        "r": "%r0_0",
    },
    "integer/wide": {"product": "%mt0_0"},
    "integer/division": {"low": "%lowt0_0", "high": "%hight0_0", "quotient": "%qt0_0", "a*s": "%ast0_0"},
    "integer/branches": {"2t": "%dt0_0", "decision": "%topt0_0", "5w": "%mt0_0", "4w": "%ft0_0", "4w + c": "%et0_0"},
}
"""What each is called in the table, and in the kernel's text: of the first stream, element or step."""
INSTRUCTIONS = {
    "integer/streams": {"product": ("imulq", None)},
    "integer/products": {"low": ("mulq", "%rax"), "high": ("mulq", "%rdx"), "low / 8": ("shrq", "%rax")},
}
"""The like for assembly: the first such instruction, and the register that is spoilt after it; its own if none."""
READ_BITS = {"low half": 32, "a": 32}
"""Of `integer/lanes`: how many of the 64 bits the multiplier reads."""
AFTER = 10
TRAPS = {"integer/division"}
"""A wrong high half can be too large to be divided at all: the instruction traps, and the worker dies of it."""

_FUSE = "soakd_fuse"
_LEFT = "soakd_left"
_MANY = 1 << 40
_SPOILER = f"""
@soakd_mask = global [8 x i64] zeroinitializer, align 64
@soakd_count = global i64 0
define void @{_FUSE}(ptr %mask, i64 %count) {{
call void @llvm.memcpy.p0.p0.i64(ptr @soakd_mask, ptr %mask, i64 64, i1 false)
store i64 %count, ptr @soakd_count
ret void
}}
define void @{_LEFT}(ptr %out, i64 %unused) {{
%left = load i64, ptr @soakd_count
store i64 %left, ptr %out
ret void
}}
declare void @llvm.memcpy.p0.p0.i64(ptr, ptr, i64, i1)
"""


class Fate(Enum):
    FOUND = "found"
    GONE = "gone without a trace"
    UNNOTICED = "in the state, of the same residue"


@dataclass(frozen=True)
class Kind:
    """A type of the kernel's text."""

    lanes: int
    scalar: str

    @property
    def bits(self) -> int:
        return {"double": 64, "float": 32}.get(self.scalar) or int(self.scalar.removeprefix("i"))

    def written(self, scalar: str) -> str:
        return scalar if self.lanes == 1 else f"<{self.lanes} x {scalar}>"

    @property
    def text(self) -> str:
        return self.written(self.scalar)

    @property
    def whole(self) -> str:
        """The integers of the same size."""
        return self.written(f"i{self.bits}")


def kind_of(line: str) -> Kind:
    """The type of what a line of text makes."""
    operation = line.partition(" = ")[2]
    if operation.startswith("icmp"):
        return Kind(1, "i1")
    if operation.startswith("extractvalue"):
        return Kind(1, "i64")
    cast = re.search(r" to (\S+)$", operation)
    lanes, scalar = re.search(r"(?:<(\d+) x )?\b(double|float|i\d+)\b", cast[1] if cast else operation).groups()
    return Kind(int(lanes or 1), scalar)


def spoilt(text: str, name: str) -> tuple[str, Kind]:
    """The text with `name` as the mask leaves it when the fuse has burnt down, and the name's type."""
    line = next(line for line in text.splitlines() if line.startswith(f"{name} = "))
    kind = kind_of(line)
    whole = kind.whole
    changed = [
        line.replace(f"{name} = ", f"{name}.raw = ", 1),
        f"{name}.left = load i64, ptr @soakd_count",
        f"{name}.less = sub i64 {name}.left, 1",
        f"store i64 {name}.less, ptr @soakd_count",
        f"{name}.now = icmp eq i64 {name}.left, 1",
        f"{name}.loaded = load {whole}, ptr @soakd_mask",
        f"{name}.mask = select i1 {name}.now, {whole} {name}.loaded, {whole} zeroinitializer",
        f"{name}.bits = bitcast {kind.text} {name}.raw to {whole}",
        f"{name}.xor = xor {whole} {name}.bits, {name}.mask",
        f"{name} = bitcast {whole} {name}.xor to {kind.text}",
    ]
    return text.replace(f"{line}\n", "\n".join(changed) + "\n", 1) + _SPOILER, kind


def spoilt_instruction(text: str, mnemonic: str, register: str | None, bit: int) -> str:
    """The same for assembly: the first such instruction of the loop, and then one bit of a register inverted."""
    first = next(line for line in text.splitlines() if f'"{mnemonic} ' in line)
    register = register or first.rstrip('"').rpartition(" ")[2]
    return text.replace(first, f'{first}\nmodule asm "btcq ${bit}, {register}"', 1)


class Spoiling:
    """One temporary of one kernel in one class."""

    def __init__(self, workload: str, level: str, temporary: str) -> None:
        self._chain: Chain = CHAINS[workload](CLASSES[level])
        self._target, self._traps = CLASSES[level], workload in TRAPS
        self._block = block_of(self._chain)
        self._read_bits = READ_BITS.get(temporary, 64) if workload == "integer/lanes" else None
        self._instruction = INSTRUCTIONS.get(workload, {}).get(temporary)
        self._right, _ = self._built(self._chain.text(), (KERNEL,))
        if not self._instruction:
            names = integer_names(self._chain) if workload == "integer/lanes" else TEXT_NAMES.get(workload, {})
            name = names.get(temporary, f"%{temporary}0")
            text, self._kind = spoilt(self._chain.text(), name)
            self._wrong, self._kernels = self._built(text, (KERNEL, _FUSE, _LEFT))

    @property
    def bits(self) -> int:
        """How many of the temporary there are to be inverted, in one lane."""
        return 64 if self._instruction else self._read_bits or self._kind.bits

    def trial(self, dice: random.Random, bit: int | None = None) -> Fate:
        """Fresh operands, one count with one bit inverted in it (drawn, if not given), then `AFTER` counts without."""
        bit = dice.randrange(self.bits) if bit is None else bit
        chain, task = self._chain, self._right
        block, wrong = self._spoilt_instruction(bit) if self._instruction else self._spoilt_name(bit, dice)
        if wrong is None:
            return Fate.FOUND
        task.load(block)
        task.advance(1)
        if wrong == task.state():
            return Fate.GONE
        task.load([*wrong, *block[chain.state_words :]])
        task.advance(AFTER)
        found = chain.faults(block, (AFTER + 1) * chain.steps_per_count, task.state())
        return Fate.FOUND if found else Fate.UNNOTICED

    def _built(self, text: str, names: tuple[str, ...]) -> tuple[ChainTask, dict[str, Kernel]]:
        kernels = compile_kernels(text, self._target, names).kernels
        return ChainTask(kernels[KERNEL], self._chain, self._block), kernels

    def _spoilt_instruction(self, bit: int) -> tuple[Sequence[int], array[int]]:
        text = spoilt_instruction(self._chain.text(), *self._instruction, bit)
        task, _ = self._built(text, (KERNEL,))
        block = self._chain.fresh()
        task.load(block)
        task.advance(1)
        return block, task.state()

    def _spoilt_name(self, bit: int, dice: random.Random) -> tuple[Sequence[int], array[int] | None]:
        """Operands and the state that came of them; None if the process died on the way."""
        task, kind, turns = self._wrong, self._kind, 0
        while not turns:  # a line on one of two ways may not be come to
            block = self._chain.fresh()
            self._light(0, _MANY)
            task.load(block)
            task.advance(1)
            turns = _MANY - self._left()
        self._light(kind.bits * dice.randrange(kind.lanes) + bit, dice.randint(1, turns))
        task.load(block)
        if not self._traps:
            task.advance(1)
        elif died(lambda: task.advance(1)):
            return block, None
        return block, task.state()

    def _light(self, bit: int, turn: int) -> None:
        """Let the mask act in the turn of that number, counted from 1."""
        mask = (ctypes.c_ubyte * 64)()
        mask[bit // 8] = 1 << bit % 8
        self._kernels[_FUSE](ctypes.addressof(mask), turn)

    def _left(self) -> int:
        left = ctypes.c_uint64()
        self._kernels[_LEFT](ctypes.addressof(left), 0)
        return left.value


def died(work: Callable[[], object]) -> bool:
    """Whether a process dies of it; what it writes into shared memory stays."""
    child = os.fork()
    if child == 0:
        faulthandler.disable()
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        work()
        os._exit(0)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert code in (0, -signal.SIGFPE), code
    return code != 0


def temporaries(workload: str, level: str) -> list[str]:
    """What each is called; of a vector kernel's step, all but the result."""
    known = TEXT_NAMES.get(workload) or INSTRUCTIONS.get(workload)
    if known:
        return list(known)
    chain = CHAINS[workload](CLASSES[level])
    if isinstance(chain, vector_lanes.Lanes):
        names = [text.partition(" = ")[0] for text in chain._step(*chain._kind(), 0)]
        return [name.removeprefix("%").removesuffix("0") for name in names[:-1]]
    return list(integer_names(chain))


def integer_names(chain: integer_lanes.Lanes) -> dict[str, str]:
    """Of `integer/lanes`: the first vector that multiplies, and the first that shifts."""
    shifting = f"t0_{chain.carried}"
    return {
        "low half": "%vt0_0",
        "a": "%at0_0",
        "product": "%avt0_0",
        "carry": "%ct0_0",
        **{f"shifted {turn + 1}": f"%s{shifting}_{turn}" for turn in range(3)},
        **{f"x {turn + 1}": f"%x{shifting}_{turn}" for turn in range(2)},
    }
