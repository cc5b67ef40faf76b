"""The loop that every kernel here has whose state is held in registers: load, step over and over, store.

The block is read as an array of one kind of value, the state first and then the constants.  A step is text that may
hold branches; the loop's own end is a block by itself, so that it does not matter which block a step ends in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from soakd.workloads.chain import KERNEL

_SAVED_REGISTERS: Final = ("%rbx", "%rbp", "%r12", "%r13", "%r14", "%r15")

Step = Callable[[Sequence[str], str], tuple[list[str], list[str]]]
"""From the state's names and a tag for new names: one step's text and the names of the state after it."""


def loop_text(kind: str, *, state: int, constants: int, unroll: int, step: Step) -> str:
    """Return the kernel `KERNEL(ptr block, i64 count)`: `unroll` steps per count, the constants called %k0, %k1 ..."""
    words = [*(f"%s{i}" for i in range(state)), *(f"%k{i}" for i in range(constants))]
    names, body = [f"%v{i}" for i in range(state)], []
    for turn in range(unroll):
        lines, names = step(names, f"t{turn}")
        body += lines
    lines = [
        f"define void @{KERNEL}(ptr %block, i64 %count) {{",
        "entry:",
        *(f"%p{i} = getelementptr {kind}, ptr %block, i64 {i}" for i in range(len(words))),
        *(f"{name} = load {kind}, ptr %p{i}" for i, name in enumerate(words)),
        "br label %loop",
        "loop:",
        "%left = phi i64 [ %count, %entry ], [ %less, %latch ]",
        *(f"%v{i} = phi {kind} [ %s{i}, %entry ], [ {name}, %latch ]" for i, name in enumerate(names)),
        *body,
        "br label %latch",
        "latch:",
        "%less = sub i64 %left, 1",
        "%more = icmp ne i64 %less, 0",
        "br i1 %more, label %loop, label %done",
        "done:",
        *(f"store {kind} {name}, ptr %p{i}" for i, name in enumerate(names)),
        "ret void",
        "}",
    ]
    return "\n".join(lines)


def x86_loop_text(registers: Sequence[str], body: Sequence[str]) -> str:
    """Return the like in x86-64 assembly: `body` once per count, block in %rdi, count in %rsi, state in `registers`."""
    lines = [
        ".text",
        ".p2align 6",
        f".globl {KERNEL}",
        f".type {KERNEL},@function",
        f"{KERNEL}:",
        *(f"pushq {register}" for register in _SAVED_REGISTERS),
        *(f"movq {8 * word}(%rdi), {register}" for word, register in enumerate(registers)),
        ".p2align 6",
        "1:",
        *body,
        "decq %rsi",
        "jnz 1b",
        *(f"movq {register}, {8 * word}(%rdi)" for word, register in enumerate(registers)),
        *(f"popq {register}" for register in reversed(_SAVED_REGISTERS)),
        "retq",
        f".size {KERNEL}, .-{KERNEL}",
    ]
    return "\n".join(f'module asm "{line}"' for line in lines)
