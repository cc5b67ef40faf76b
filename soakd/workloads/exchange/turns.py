"""The loop of the exchange kernels whose every turn is the same straight line of instructions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from soakd.workloads.chain import KERNEL

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


def loaded_words(words: Mapping[str, int]) -> list[str]:
    """Load named words of the block: %name, and %name.at where it stands."""
    lines = []
    for name, word in words.items():
        lines += [f"%{name}.at = getelementptr i64, ptr %block, i64 {word}", f"%{name} = load i64, ptr %{name}.at"]
    return lines


def turns_text(
    words: Mapping[str, int], carried: Mapping[str, tuple[str, str]], turn: Sequence[str], done: Sequence[str]
) -> str:
    """Return the kernel `KERNEL(ptr block, i64 count)`: `count` turns, then `done`.

    `words` are loaded first, and %shared from the block's first word; `carried` are values that go from turn to turn,
    each with where it comes from at first and after a turn.
    """
    lines = [
        f"define void @{KERNEL}(ptr %block, i64 %count) {{",
        "entry:",
        "%shared = load ptr, ptr %block",
        *loaded_words(words),
        "br label %turn",
        "turn:",
        "%left = phi i64 [ %count, %entry ], [ %left.less, %turn ]",
        *(f"{name} = phi i64 [ {first}, %entry ], [ {then}, %turn ]" for name, (first, then) in carried.items()),
        *turn,
        "%left.less = sub i64 %left, 1",
        "%left.more = icmp ne i64 %left.less, 0",
        "br i1 %left.more, label %turn, label %done",
        "done:",
        *done,
        "ret void",
        "}",
    ]
    return "\n".join(lines)
