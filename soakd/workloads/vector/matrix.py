"""Vector workload: S <- A*S modulo a prime p on small matrices in L1, almost nothing but fused multiply-adds and loads.

A is 36 x 36, S is 36 x 24, in double precision; both and a second S take 24 KiB.  Each element of the new S is a sum
of 36 products without rounding, then reduced.  With |a| <= (p - 1)/2, |s| <= (p + 1)/2, u = 1/p rounded, M = 1.5 * 2^52
and all rounding to nearest:

    x = sum a*s;  q = fma(x, u, M) - M;  s' = fma(-q, p, x)

 - Every partial sum is an integer of magnitude <= 36 * (p - 1)/2 * (p + 1)/2 = 9 * (p^2 - 1) < 2^53, for which
   p = 31635403 is the largest prime: every fma of the sum is exact.
 - |x*u - x/p| <= 2^-53 * |x|/p < 1/p, and q is x*u rounded once to an integer (unit ulp around M, |x*u| < 2^29), so
   |q - x/p| < 1/2 + 1/p and |x - q*p| < p/2 + 1.  An integer: at most (p + 1)/2, the bound assumed for s, and exact.

A sum would round away a wrong bit worth less than half a unit of it.  So S is stored as w = M + s: around M every bit
pattern is an integer, no stored bit is worth less than 1, and s = w - M is exact.  A is plain numbers, only read, and
compared bit for bit at the end as part of the state.

Injective: A = D*B*D^-1 with B = L*U, L lower and U upper triangular with ones on their diagonals and D diagonal
without a 0, hence invertible modulo p.  Each round has a new S and a new D, which makes A new everywhere off its
diagonal, and the powers of the one matrix B serve all rounds: A^N*S = D * B^N * D^-1*S.  The check is complete, all 864
elements in exact integers, with B^(d * 32^j) kept for d = 1..31 and each j.  Operands and answers are made in arrays, a
few columns at a time: a worker's memory never gets back what many integers at once, or lists that grow, once took.

Own derivation; the blocking into register tiles is common practice for matrix products.
"""

from __future__ import annotations

import os
from array import array
from typing import TYPE_CHECKING, Final

from soakd.workloads.base import Fault
from soakd.workloads.chain import KERNEL, ChainProgram
from soakd.workloads.splat import loaded_splat
from soakd.workloads.vector.powers import Powers, triangular_product
from soakd.workloads.vector.residues import MAGIC, pattern

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from soakd.workloads.classes import InstructionClass

SIZE: Final = 36
COLUMNS: Final = 24
PRIME: Final = 31635403
BOUND: Final = (PRIME + 1) // 2
"""Largest magnitude of a stored element."""
STATE_WORDS: Final = SIZE * COLUMNS
MATRIX_WORDS: Final = SIZE * SIZE
OFFSET: Final = pattern(MAGIC)
"""Around M, the pattern of M + s is the pattern of M, plus s."""
_CONSTANTS: Final = 2 * STATE_WORDS + MATRIX_WORDS
_DIAGONAL: Final = _CONSTANTS + 3
_AT_ONCE: Final = 4
"""Columns that the closed form carries along together."""
_TILES: Final = {"vector-128-fma": (6, 3, 6), "vector-256-fma": (6, 2, 1), "vector-512": (6, 3, 6)}
"""Rows, vectors and unrolled steps of the register tile: 12 sums fit 16 registers, 18 fit 32."""


def _products(kind: str, lanes: int, tile: tuple[int, int, int]) -> list[str]:
    """The innermost loop: `tile` sums side by side over all products of a row and a column."""
    rows, across, unroll = tile
    cells = [(r, c) for r in range(rows) for c in range(across)]
    fma = f"@llvm.fma.v{lanes}f64"
    lines = ["%k = phi i64 [ 0, %column ], [ %next_k, %product ]"]
    lines += [
        f"%x0_{r}_{c} = phi {kind} [ zeroinitializer, %column ], [ %x{unroll}_{r}_{c}, %product ]" for r, c in cells
    ]
    lines += ["%a_k = getelementptr double, ptr %a_row, i64 %k", f"%skip_k = mul i64 %k, {COLUMNS}"]
    lines += ["%s_k = getelementptr double, ptr %s_column, i64 %skip_k"]
    for n in range(unroll):
        for c in range(across):
            lines += [
                f"%at_w{n}_{c} = getelementptr double, ptr %s_k, i64 {n * COLUMNS + c * lanes}",
                f"%w{n}_{c} = load {kind}, ptr %at_w{n}_{c}",
                f"%s{n}_{c} = fsub {kind} %w{n}_{c}, %magic",
            ]
        for r in range(rows):
            lines += loaded_splat(f"a{n}_{r}", "double", "%a_k", r * SIZE + n, lanes)
            lines += [
                f"%x{n + 1}_{r}_{c} = call {kind} {fma}({kind} %a{n}_{r}, {kind} %s{n}_{c}, {kind} %x{n}_{r}_{c})"
                for c in range(across)
            ]
    return [*lines, f"%next_k = add i64 %k, {unroll}", f"%more_k = icmp ne i64 %next_k, {SIZE}"]


def _reduced(kind: str, lanes: int, tile: tuple[int, int, int]) -> list[str]:
    """Each sum of the tile modulo p, stored with its offset."""
    rows, across, unroll = tile
    fma, lines = f"@llvm.fma.v{lanes}f64", []
    for tag, place in ((f"{r}_{c}", r * COLUMNS + c * lanes) for r in range(rows) for c in range(across)):
        total = f"%x{unroll}_{tag}"
        lines += [
            f"%z{tag} = call {kind} {fma}({kind} {total}, {kind} %u, {kind} %magic)",
            f"%q{tag} = fsub {kind} %z{tag}, %magic",
            f"%mq{tag} = fneg {kind} %q{tag}",
            f"%r{tag} = call {kind} {fma}({kind} %mq{tag}, {kind} %p, {kind} {total})",
            f"%o{tag} = fadd {kind} %r{tag}, %magic",
            f"%at_o{tag} = getelementptr double, ptr %to_column, i64 {place}",
            f"store {kind} %o{tag}, ptr %at_o{tag}",
        ]
    return lines


def _entry(lanes: int) -> list[str]:
    lines = [
        "entry:",
        f"%a = getelementptr double, ptr %block, i64 {STATE_WORDS}",
        f"%other = getelementptr double, ptr %block, i64 {STATE_WORDS + MATRIX_WORDS}",
    ]
    for i, name in enumerate(("p", "u", "magic")):
        lines += loaded_splat(name, "double", "%block", _CONSTANTS + i, lanes)
    return [*lines, "%steps = shl i64 %count, 1", "br label %step"]


def kernel_text(target: InstructionClass) -> str:
    """Return the kernel for one class: each count is two steps, from S to a second buffer and back."""
    lanes, tile = target.register_bits // 64, _TILES[target.name]
    kind, (rows, across, _) = f"<{lanes} x double>", tile
    lines = [
        f"declare {kind} @llvm.fma.v{lanes}f64({kind}, {kind}, {kind})",
        f"define void @{KERNEL}(ptr %block, i64 %count) {{",
        *_entry(lanes),
        "step:",
        "%left = phi i64 [ %steps, %entry ], [ %less, %stepped ]",
        "%from = phi ptr [ %block, %entry ], [ %to, %stepped ]",
        "%to = phi ptr [ %other, %entry ], [ %from, %stepped ]",
        "br label %row",
        "row:",
        "%i = phi i64 [ 0, %step ], [ %next_i, %rowed ]",
        f"%skip_a = mul i64 %i, {SIZE}",
        "%a_row = getelementptr double, ptr %a, i64 %skip_a",
        f"%skip_s = mul i64 %i, {COLUMNS}",
        "%to_row = getelementptr double, ptr %to, i64 %skip_s",
        "br label %column",
        "column:",
        "%j = phi i64 [ 0, %row ], [ %next_j, %reduce ]",
        "%s_column = getelementptr double, ptr %from, i64 %j",
        "%to_column = getelementptr double, ptr %to_row, i64 %j",
        "br label %product",
        "product:",
        *_products(kind, lanes, tile),
        "br i1 %more_k, label %product, label %reduce",
        "reduce:",
        *_reduced(kind, lanes, tile),
        f"%next_j = add i64 %j, {across * lanes}",
        f"%more_j = icmp ne i64 %next_j, {COLUMNS}",
        "br i1 %more_j, label %column, label %rowed",
        "rowed:",
        f"%next_i = add i64 %i, {rows}",
        f"%more_i = icmp ne i64 %next_i, {SIZE}",
        "br i1 %more_i, label %row, label %stepped",
        "stepped:",
        "%less = sub i64 %left, 1",
        "%more = icmp ne i64 %less, 0",
        "br i1 %more, label %step, label %done",
        "done:",
        "ret void",
        "}",
    ]
    return "\n".join(lines)


def _signed(residue: int) -> int:
    """The representative of smallest magnitude."""
    return residue - PRIME if residue > PRIME // 2 else residue


def compare(block: Sequence[int], residues: Sequence[int], found: Sequence[int]) -> list[Fault]:
    """List elements of A that changed, then elements of S that are not the right integer within the bound."""
    loaded = block[STATE_WORDS : STATE_WORDS + MATRIX_WORDS]
    changed = [
        Fault(where=f"A, row {i // SIZE}, column {i % SIZE}", expected=want, actual=got)
        for i, (want, got) in enumerate(zip(loaded, found[STATE_WORDS:], strict=True))
        if want != got
    ]
    wrong = [
        Fault(where=f"S, row {i // COLUMNS}, column {i % COLUMNS}", expected=OFFSET + _signed(residue), actual=word)
        for i, (residue, word) in enumerate(zip(residues, found[:STATE_WORDS], strict=True))
        if abs(word - OFFSET) > BOUND or (word - OFFSET - residue) % PRIME
    ]
    return changed + wrong


class Matrix:
    """The chain for one class."""

    state_words = STATE_WORDS + MATRIX_WORDS
    steps_per_count = 2
    operations_per_step = 2 * SIZE * STATE_WORDS

    def __init__(self, target: InstructionClass) -> None:
        self._target = target
        self.name = f"vector/matrix ({target.name})"
        base = triangular_product(SIZE, PRIME)
        self._base = array("Q", [value for row in zip(*base, strict=True) for value in row])
        self._powers = Powers(base, PRIME, places=4)

    def text(self) -> str:
        return kernel_text(self._target)

    def fresh(self) -> array[int]:
        words = array("Q", os.urandom(8 * (STATE_WORDS + SIZE)))
        diagonal = [1 + word % (PRIME - 1) for word in words[STATE_WORDS:]]
        return self.block((_signed(word % PRIME) for word in words[:STATE_WORDS]), diagonal)

    def known(self) -> array[int]:
        half = PRIME // 2
        spread = (half - half * i // STATE_WORDS for i in range(STATE_WORDS))
        return self.block((value if i % 2 else -value for i, value in enumerate(spread)), range(1, SIZE + 1))

    def block(self, state: Iterable[int], diagonal: Sequence[int]) -> array[int]:
        """S with its offset, A = D*B*D^-1, the second buffer, the constants; and D, which the kernel does not read."""
        inverses = [pow(value, -1, PRIME) for value in diagonal]
        words = array("Q", [OFFSET]) * (_DIAGONAL + SIZE)
        doubles = memoryview(words).cast("B").cast("d")
        for i, value in enumerate(state):
            words[i] += value
        for i, value in enumerate(self._base):
            row, column = divmod(i, SIZE)
            doubles[STATE_WORDS + i] = _signed(value * diagonal[row] * inverses[column] % PRIME)
        for i, constant in enumerate((PRIME, 1.0 / PRIME, MAGIC), _CONSTANTS):
            doubles[i] = constant
        for i, value in enumerate(diagonal, _DIAGONAL):
            words[i] = value
        return words

    def after(self, block: Sequence[int], steps: int) -> Sequence[int]:
        """Return the residues of A^steps * S, row by row."""
        diagonal = block[_DIAGONAL:]
        inverses = [pow(value, -1, PRIME) for value in diagonal]
        residues = array("Q", bytes(8 * STATE_WORDS))
        for first in range(0, COLUMNS, _AT_ONCE):
            chosen = range(first, first + _AT_ONCE)
            columns = [
                [(word - OFFSET) * d % PRIME for word, d in zip(block[j:STATE_WORDS:COLUMNS], inverses, strict=True)]
                for j in chosen
            ]
            for j, column in zip(chosen, self._powers.applied(steps, columns), strict=True):
                residues[j::COLUMNS] = array("Q", [x * d % PRIME for x, d in zip(column, diagonal, strict=True)])
        return residues

    def faults(self, block: Sequence[int], steps: int, found: Sequence[int]) -> list[Fault]:
        return compare(block, self.after(block, steps), found)


def build(target: InstructionClass, *, text: str | None = None) -> ChainProgram:
    """Compile the kernel for one class; `text` replaces it (a test's broken variant)."""
    return ChainProgram(Matrix(target), target, text=text)
