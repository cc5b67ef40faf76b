"""Words that all workers of one stage see, and the atomic operations that Python needs on them.

An anonymous shared mapping, made in the parent before the forks: no name, nothing that could be left behind.  All
operations here are sequentially consistent; they are for meeting and for a few words per round, not for the load.
"""

from __future__ import annotations

import ctypes
import mmap
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from soakd.workloads.ir import Kernel

LINE_WORDS: Final = 8
"""64-bit words in a cache line of 64 bytes.

Where lines are longer (128 bytes on some aarch64 cores), two of these share one: more sharing, and nothing wrong.
"""
LINE_BYTES: Final = 8 * LINE_WORDS

_OPERATIONS: Final = {
    "soakd_load": "%old = load atomic i64, ptr %at seq_cst, align 8",
    "soakd_store": "%old = atomicrmw xchg ptr %at, i64 %value seq_cst",
    "soakd_add": "%old = atomicrmw add ptr %at, i64 %value seq_cst",
    "soakd_xor": "%old = atomicrmw xor ptr %at, i64 %value seq_cst",
    # One less, but only if the word is still `value`.
    "soakd_retract": "%less = sub i64 %value, 1\n"
    "%pair = cmpxchg ptr %at, i64 %value, i64 %less seq_cst seq_cst\n"
    "%old = extractvalue { i64, i1 } %pair, 0",
}
FUNCTIONS: Final = tuple(_OPERATIONS)
TEXT: Final = "\n".join(
    f"define void @{name}(ptr %call, i64 %value) {{\n"
    "%at = load ptr, ptr %call\n"
    f"{operation}\n"
    "%out = getelementptr i64, ptr %call, i64 1\n"
    "store i64 %old, ptr %out\n"
    "ret void\n"
    "}"
    for name, operation in _OPERATIONS.items()
)
"""To be appended to a module of kernels; each function takes {address, result} and a value."""


class Area:
    """Zeros at first, aligned to a page."""

    def __init__(self, kernels: Mapping[str, Kernel], words: int) -> None:
        self._kernels = kernels
        self._pages = mmap.mmap(-1, 8 * words, flags=mmap.MAP_SHARED | mmap.MAP_ANONYMOUS)
        self._words = (ctypes.c_uint64 * words).from_buffer(self._pages)
        self._call = (ctypes.c_uint64 * 2)()
        self.address = ctypes.addressof(self._words)

    def __getitem__(self, word: int) -> int:
        """One word as it stands; no order is promised, so only for words that nobody writes at this moment."""
        return self._words[word]

    def put(self, word: int, values: Sequence[int]) -> None:
        """Write words that nobody else looks at yet."""
        self._words[word : word + len(values)] = list(values)

    def take(self, word: int, count: int) -> list[int]:
        """Read words that nobody writes at this moment."""
        return self._words[word : word + count]

    def load(self, word: int) -> int:
        return self._do("soakd_load", word, 0)

    def store(self, word: int, value: int) -> None:
        self._do("soakd_store", word, value)

    def add(self, word: int, value: int) -> int:
        """Add and return what was there before."""
        return self._do("soakd_add", word, value)

    def xor(self, word: int, mask: int) -> None:
        self._do("soakd_xor", word, mask)

    def retract(self, word: int, seen: int) -> bool:
        """Take one away if the word is still `seen`; tells whether it was."""
        return self._do("soakd_retract", word, seen) == seen

    def _do(self, function: str, word: int, value: int) -> int:
        self._call[0] = self.address + 8 * word
        self._kernels[function](ctypes.addressof(self._call), value)
        return self._call[1]
