"""The chain X -> X*M modulo p: why every product is exact, the reduction beside it, and how a round is vouched for.

X and M are n x n matrices of signed residues, n = 384, p = 9686329, |x| <= (p + 1)/2, |m| <= (p - 1)/2.  Any sum of
products within a row, in any order and with any fusing, is an integer of magnitude at most n*(p^2 - 1)/4 < 2^53: the
library's result P = X*M is exact, whatever its blocking.  The reduction, in the class's registers:

    q = fma(h, u, M0) - M0;  d = fma(-q, p, h)          h of P, u = 1/p rounded, M0 = 1.5 * 2^52

 - |h*u - h/p| <= 2^-53 * |h/p| < 1/p and h*u + M0 is rounded once, so |q - h/p| < 1/2 + 1/p and |d| < p/2 + 1.
 - d is an integer of less than 2^53, so the fma is exact and d congruent to h; p is odd, so |d| <= (p + 1)/2 again.

M is the product of a lower and an upper triangular matrix with units on their diagonals, so its determinant is 1
modulo p: X -> X*M is a bijection, row by row.

A round is vouched for by four checks.

 - R. Freivalds' check of products (1977): V is drawn once per worker, 384 x 2, from 1..p-1; U_k = M^k V is tabulated;
   after k steps X_k V must equal X_0 U_k modulo p, computed in 64-bit integers, not in the floating-point units.  A
   wrong row is missed with probability 1/p by each of the two vectors, which no product can know; one wrong element of
   the final X is never missed.  No tolerance anywhere.
 - A sum of bit patterns.  A flip below the units digit of a stored x would be rounded away in the next product and
   leave no trace.  So the reduction adds up, modulo 2^64, the bits of all that it stores, and, before it overwrites X
   in the next step, the bits of what is there; at the end the two must agree.
 - A fraction in P: d - rint(d) is or-ed over all elements and must be 0, which also catches what is not finite.
 - At the end, every |x| is within the bound and the bits of M add up to what they did.

Own derivation, but for Freivalds' check.
"""

from __future__ import annotations

import ctypes
import mmap
from time import perf_counter_ns
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np

from soakd.errors import WorkloadError
from soakd.workloads import pace
from soakd.workloads.base import FAULTS_KEPT, OPEN, Beat, Fault, Flip, Gate, Round, refuse_at_rest
from soakd.workloads.ir import Kernel, compile_kernels
from soakd.workloads.vector.openblas import CLASS_OF_CORE, alone
from soakd.workloads.vector.reduction import PRIME, REDUCE, Word, doubles_per_count, reduction_text
from soakd.workloads.vector.residues import MAGIC, pattern

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from soakd.workloads.classes import InstructionClass

    Integers = NDArray[np.int64]

SIZE: Final = 384
HALF: Final = (PRIME - 1) // 2
BOUND: Final = (PRIME + 1) // 2
VECTORS: Final = 2
FLOPS_PER_STEP: Final = 2 * SIZE**3
"""Of the product alone; the reduction's are not counted."""
_TABULATED: Final = 320
"""Powers made ready before the first round; a faster core adds what it needs."""
_KNOWN_STEPS: Final = 3
_WORD: Final = 1 << 64


def signed(values: Integers) -> Integers:
    """The representatives of least magnitude."""
    return (values + HALF) % PRIME - HALF


def residues(random: np.random.Generator, rows: int, columns: int) -> Integers:
    return random.integers(-HALF, HALF + 1, (rows, columns))


def unit_matrix(random: np.random.Generator) -> Integers:
    """A matrix of determinant 1 modulo p, drawn; float64 holds every sum of products exactly."""
    lower, upper = (np.tril(residues(random, SIZE, SIZE), -1) + np.eye(SIZE, dtype=np.int64) for _ in range(2))
    return signed((lower.astype(float) @ upper.T.astype(float)).astype(np.int64))


def bits_of(matrix: NDArray[np.float64]) -> int:
    """The sum of all bit patterns modulo 2^64."""
    return int(matrix.view(np.uint64).sum(dtype=np.uint64))


class ProductTask:
    """One worker's matrices."""

    def __init__(self, kernel: Kernel, target: InstructionClass, note: str, beat: Beat, tabulated: int) -> None:
        self.note = note
        self._kernel = kernel
        self._counts = SIZE * SIZE // doubles_per_count(target)
        self._pace = pace.Pace(steps_per_s=100.0)
        self._random = np.random.default_rng()
        self._pages = [mmap.mmap(-1, 8 * SIZE * SIZE) for _ in range(3)]
        self.state, self.matrix, self.product = (np.frombuffer(p).reshape(SIZE, SIZE) for p in self._pages)
        constants = (pattern(value) for value in (float(PRIME), 1.0 / PRIME, MAGIC))
        self._words = (ctypes.c_uint64 * len(Word))(
            self.state.ctypes.data, self.product.ctypes.data, 0, 0, 0, *constants
        )
        self._integers = unit_matrix(self._random)
        self.matrix[:] = self._integers
        self._matrix_bits = bits_of(self.matrix)
        self._table = [self._random.integers(1, PRIME, (SIZE, VECTORS))]
        self._tabulate(tabulated, beat)
        self.load()

    def _tabulate(self, steps: int, beat: Beat) -> None:
        while len(self._table) <= steps:
            self._table.append(signed(self._integers @ self._table[-1]))
            beat()

    def load(self) -> None:
        """Draw a new X."""
        self._start = residues(self._random, SIZE, SIZE)
        self.state[:] = self._start
        self._words[Word.READ], self._words[Word.BAD] = 0, 0
        self._words[Word.WRITTEN] = bits_of(self.state)

    def advance(self, steps: int) -> int:
        """One product and one reduction each."""
        with np.errstate(
            all="ignore"
        ):  # a planted or a real fault may be an infinity: the check will tell, not a warning
            for _ in range(steps):
                self.multiply()
                self.reduce()
        return steps

    def multiply(self) -> None:
        """P = X*M, by the library."""
        np.matmul(self.state, self.matrix, out=self.product)

    def reduce(self) -> None:
        """X = P modulo p."""
        self._kernel(ctypes.addressof(self._words), self._counts)

    def invert(self, bit: int) -> None:
        """Invert one bit of X (modulo its size)."""
        word, place = divmod(bit % (64 * SIZE * SIZE), 64)
        self.state.reshape(-1).view(np.uint64)[word] ^= np.uint64(1 << place)

    def faults(self, steps: int, beat: Beat) -> tuple[int, list[Fault]]:
        """How many rows and sums are wrong, and the first of them."""
        found = self._sums()
        self._tabulate(steps, beat)
        within, limit = np.abs(self.state) <= BOUND, pattern(float(BOUND))
        found += [
            Fault(where=f"row {i}, column {j}, beyond the bound", expected=limit, actual=pattern(self.state[i, j]))
            for i, j in np.argwhere(~within)[:FAULTS_KEPT].tolist()
        ]
        state = np.where(within, self.state, 0.0).astype(np.int64)
        right, left = ((matrix % PRIME) for matrix in (self._start @ self._table[steps], state @ self._table[0]))
        rows = np.flatnonzero((right != left).any(axis=1)).tolist()
        for row in rows[:FAULTS_KEPT]:
            vector = int(np.argmax(right[row] != left[row]))
            where = f"row {row} of {SIZE} times check vector {vector}"
            found.append(Fault(where=where, expected=int(right[row, vector]), actual=int(left[row, vector])))
        return len(found) + max(len(rows) - FAULTS_KEPT, 0), found

    def _sums(self) -> list[Fault]:
        checks = {
            "sum of the bits of X as written and as read back": (
                self._words[Word.WRITTEN], (self._words[Word.READ] + bits_of(self.state)) % _WORD,
            ),
            "fractions of the products, or-ed": (0, self._words[Word.BAD]),
            "sum of the bits of the multiplier M": (self._matrix_bits, bits_of(self.matrix)),
        }  # fmt: skip
        return [Fault(where=w, expected=want, actual=got) for w, (want, got) in checks.items() if want != got]

    def round(self, target_s: float, beat: Beat, flip: Flip | None = None, gate: Gate = OPEN) -> Round:
        """Multiply for about `target_s` from a new X and check all of it."""
        self.load()
        steps, work_s = pace.fill(
            target_s, self._pace, self.advance, beat, lambda: self.invert(flip.bit) if flip else None, gate
        )
        begun_ns = perf_counter_ns()
        count, faults = self.faults(steps, beat)
        return Round(
            operations=steps * FLOPS_PER_STEP,
            work_s=work_s,
            check_s=(perf_counter_ns() - begun_ns) / 1e9,
            fault_count=count,
            faults=tuple(faults[:FAULTS_KEPT]),
        )


class ProductProgram:
    """The reduction in native code, beside the library's products."""

    def __init__(self, target: InstructionClass, *, text: str | None = None) -> None:
        blas = alone()
        taken = CLASS_OF_CORE.get(blas.core.lower())
        if taken != target.name:
            raise WorkloadError(
                f"{blas.version} takes this core for {blas.core} and works in class {taken or 'unknown'}, "
                f"not in {target.name}",
                hint="one run can have large products in one class only, the widest being the natural one",
            )
        self._target = target
        self._name = f"vector/large ({target.name})"
        self._note = f"{blas.version}, core type {blas.core}, {blas.threads} thread"
        compiled = compile_kernels(text or reduction_text(target), target, (REDUCE,))
        self._kernel = compiled.kernels[REDUCE]
        self.digests: Mapping[str, str] = MappingProxyType({self._name: compiled.digest})

    def gather(self, workers: int) -> None:
        """Each worker is on its own."""

    def selfcheck(self) -> None:
        """Run a few steps and compare; raises WorkloadError."""
        task = self._task(lambda: None, _KNOWN_STEPS)
        _, wrong = task.faults(task.advance(_KNOWN_STEPS), lambda: None)
        refuse_at_rest(self._name, wrong)

    def task(self, *, memory_bytes: int, beat: Beat, seat: int = 0) -> ProductTask:  # noqa: ARG002  (all are alike)
        """Draw one worker's matrix and tabulate its powers."""
        return self._task(beat, _TABULATED)

    def _task(self, beat: Beat, tabulated: int) -> ProductTask:
        return ProductTask(self._kernel, self._target, self._note, beat, tabulated)
