"""The reduction of a product modulo p, with the sums of bit patterns; its derivation is in `products`.

It goes from the last element to the first: what the library touched last is the most likely to be in the second cache
still, which X, M and P do not fit into together.
"""

from __future__ import annotations

from enum import IntEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from soakd.workloads.splat import loaded_splat

if TYPE_CHECKING:
    from soakd.workloads.classes import InstructionClass

PRIME: Final = 9686329
"""The largest prime with 384 * (p^2 - 1) / 4 < 2^53."""
REDUCE: Final = "soakd_reduce"


class Word(IntEnum):
    """The kernel's block: addresses of X and P, three accumulators, and p, 1/p and the rounding constant."""

    STATE = 0
    PRODUCT = 1
    READ = 2
    WRITTEN = 3
    BAD = 4
    PRIME = 5
    INVERSE = 6
    MAGIC = 7


_ABREAST: Final = 4
_ACCUMULATORS: Final = MappingProxyType({"read": Word.READ, "written": Word.WRITTEN, "bad": Word.BAD})
_CONSTANTS: Final = MappingProxyType({"prime": Word.PRIME, "u": Word.INVERSE, "magic": Word.MAGIC})


def doubles_per_count(target: InstructionClass) -> int:
    """Elements that one count of the kernel reduces."""
    return _ABREAST * target.register_bits // 64


def _visit(kind: str, bits: str, fma: str, lanes: int, i: int) -> list[str]:
    return [
        f"%xp{i} = getelementptr double, ptr %x.at, i64 {lanes * i}",
        f"%pp{i} = getelementptr double, ptr %p.at, i64 {lanes * i}",
        f"%old{i} = load {bits}, ptr %xp{i}",
        f"%read{i}.next = add {bits} %read{i}, %old{i}",
        f"%h{i} = load {kind}, ptr %pp{i}",
        f"%z{i} = call {kind} {fma}({kind} %h{i}, {kind} %u, {kind} %magic)",
        f"%q{i} = fsub {kind} %z{i}, %magic",
        f"%mq{i} = fneg {kind} %q{i}",
        f"%d{i} = call {kind} {fma}({kind} %mq{i}, {kind} %prime, {kind} %h{i})",
        f"store {kind} %d{i}, ptr %xp{i}",
        f"%bits{i} = bitcast {kind} %d{i} to {bits}",
        f"%written{i}.next = add {bits} %written{i}, %bits{i}",
        f"%y{i} = fadd {kind} %d{i}, %magic",
        f"%whole{i} = fsub {kind} %y{i}, %magic",
        f"%rest{i} = fsub {kind} %whole{i}, %d{i}",
        f"%odd{i} = bitcast {kind} %rest{i} to {bits}",
        f"%bad{i}.next = or {bits} %bad{i}, %odd{i}",
    ]


def _folded(bits: str, lanes: int) -> list[str]:
    """Add (or or) the accumulators into their words of the block."""
    lines = []
    for name, word in _ACCUMULATORS.items():
        operation = "or" if word is Word.BAD else "add"
        sums = f"%{name}0.next"
        for i in range(1, _ABREAST):
            lines.append(f"%{name}.sum{i} = {operation} {bits} {sums}, %{name}{i}.next")
            sums = f"%{name}.sum{i}"
        lines += [
            f"%{name}.all = call i64 @llvm.vector.reduce.{operation}.v{lanes}i64({bits} {sums})",
            f"%{name}.word = getelementptr i64, ptr %block, i64 {word}",
            f"%{name}.was = load i64, ptr %{name}.word",
            f"%{name}.now = {operation} i64 %{name}.was, %{name}.all",
            f"store i64 %{name}.now, ptr %{name}.word",
        ]
    return lines


def reduction_text(target: InstructionClass) -> str:
    """Return the kernel for one class: `count` groups of vectors, from the last down to the first element."""
    lanes = target.register_bits // 64
    kind, bits, fma = f"<{lanes} x double>", f"<{lanes} x i64>", f"@llvm.fma.v{lanes}f64"
    step = doubles_per_count(target)
    accumulators = [f"{name}{i}" for name in _ACCUMULATORS for i in range(_ABREAST)]
    visits = [_visit(kind, bits, fma, lanes, i) for i in range(_ABREAST)]
    lines = [
        f"declare {kind} {fma}({kind}, {kind}, {kind})",
        *(f"declare i64 @llvm.vector.reduce.{operation}.v{lanes}i64({bits})" for operation in ("add", "or")),
        f"define void @{REDUCE}(ptr %block, i64 %count) {{",
        "entry:",
        "%state = load ptr, ptr %block",
        f"%product.at = getelementptr i64, ptr %block, i64 {Word.PRODUCT}",
        "%product = load ptr, ptr %product.at",
        *(line for name, word in _CONSTANTS.items() for line in loaded_splat(name, "double", "%block", word, lanes)),
        "%others = sub i64 %count, 1",
        f"%far = mul i64 %others, {step}",
        "%x.last = getelementptr double, ptr %state, i64 %far",
        "%p.last = getelementptr double, ptr %product, i64 %far",
        "br label %loop",
        "loop:",
        "%left = phi i64 [ %count, %entry ], [ %less, %loop ]",
        "%x.at = phi ptr [ %x.last, %entry ], [ %x.next, %loop ]",
        "%p.at = phi ptr [ %p.last, %entry ], [ %p.next, %loop ]",
        *(f"%{name} = phi {bits} [ zeroinitializer, %entry ], [ %{name}.next, %loop ]" for name in accumulators),
        *(line for row in zip(*visits, strict=True) for line in row),
        f"%x.next = getelementptr double, ptr %x.at, i64 {-step}",
        f"%p.next = getelementptr double, ptr %p.at, i64 {-step}",
        "%less = sub i64 %left, 1",
        "%more = icmp ne i64 %less, 0",
        "br i1 %more, label %loop, label %done",
        "done:",
        *_folded(bits, lanes),
        "ret void",
        "}",
    ]
    return "\n".join(lines)
