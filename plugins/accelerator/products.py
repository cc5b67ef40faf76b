"""X -> X*M modulo 127 on an accelerator: dense matrix products in its floating-point units, and every one is exact.

X holds residues of magnitude at most 63 in 8 bits; so does M, in float32. A sum of n = 2048 products is an integer of
magnitude at most 2048 * 63^2 = 8,128,512 < 2^24, so float32 holds it and every part of it exactly, in any order, and so
do tensor cores with 10-bit fractions, whose factors are shorter than that and whose sums are kept in 24 bits or more.

M = I + u*v' with v'u = 0 modulo 127, so M*(I - u*v') = I: X -> X*M is a bijection, and a wrong residue at any moment is
still there at the end of the round. M^k = I + k*u*v', so after k steps

    X_k = X_0 + k * (X_0 u) v'   modulo 127.

On the processor both sides are multiplied with eight vectors that the accelerator never sees, and compared row by row
(R. Freivalds, 1977): a wrong row is missed once in 127^8 = 7 * 10^16. Rows that differ are computed in full and say
which elements are wrong. A product that is no whole number, and an element of M that has changed, are counted on the
way. u, v and the vectors are drawn for each worker, X_0 for each round. Own derivation, but for Freivalds' check.
"""

from __future__ import annotations

from time import perf_counter
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from soakd.api import OPEN, Fault, Flip, Pace, Round, SoakdError, WorkloadError, fill, refuse_at_rest

from .arrays import HALF, LIBRARIES, PRIME, Library, library

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from soakd.api import Beat, Gate, InstructionClass

    Integers = NDArray[np.int64]

SIZE = 2048
FAULTS_KEPT = 8
PRECISIONS = ("float32", "tensor")
VECTORS = 8
_KNOWN_SIZE = 8
_KNOWN_STEPS = 5
_OPTIONS = {"library", "precision"}
_RESIDUE_OF_BYTE = (np.arange(256) % PRIME - HALF).astype(np.int8)


def signed(values: Integers) -> Integers:
    """The residues of least magnitude."""
    return (values + HALF) % PRIME - HALF


class Multiplier:
    """M of any size, by u and v, and what it does to any X."""

    def __init__(self, random: np.random.Generator, size: int) -> None:
        self.v = random.integers(1, HALF + 1, size)  # nowhere 0, so that every column of M differs from I
        self.u = random.integers(-HALF, HALF + 1, size)
        self.u[-1] = 0
        self.u[-1] = signed(-(self.u @ self.v) * pow(int(self.v[-1]), -1, PRIME))
        vectors = random.integers(-HALF, HALF + 1, (size, VECTORS))
        self._moved = signed(self.v @ vectors)
        self._columns = np.column_stack([self.u, vectors]).astype(np.float32)

    def whole(self) -> Integers:
        """All of it."""
        return signed(np.eye(self.u.size, dtype=np.int64) + np.outer(self.u, self.v))

    def after(self, start: NDArray[np.int8], steps: int) -> NDArray[np.int8]:
        """What X, or some rows of it, has become."""
        rows = start.astype(np.int64)
        moved = signed(rows @ self.u) * (steps % PRIME)
        return signed(rows + np.outer(signed(moved), self.v)).astype(np.int8)

    def wrong_rows(self, start: NDArray[np.int8], steps: int, state: NDArray[np.int8]) -> NDArray[np.intp]:
        """Rows of X that cannot have come from these; float32 holds every sum exactly here too."""
        before = (start.astype(np.float32) @ self._columns).astype(np.int64)
        after = (state.astype(np.float32) @ self._columns[:, 1:]).astype(np.int64)
        moved = np.outer(signed(before[:, 0]) * (steps % PRIME), self._moved)
        return np.flatnonzero(((before[:, 1:] + moved - after) % PRIME).any(axis=1))


class Products:
    """What `soakd workloads list` shows, and the way to build it."""

    loads = "an accelerator's multipliers and memory with dense matrix products; its core here waits for it, awake"
    catches = "any wrong bit of a stored residue, and any product or sum that is wrong by no multiple of 127"
    misses = "an error of a multiple of 127; a bit in flight that rounding absorbs; most of the accelerator's memory"
    classes = ("scalar",)

    def __init__(self, options: dict[str, Any]) -> None:
        unknown = options.keys() - _OPTIONS
        if unknown:
            raise SoakdError(f"options are library and precision; not {', '.join(sorted(unknown))}")
        self._library = options.get("library")
        self._precision = options.get("precision", "float32")
        if self._library not in {None, *LIBRARIES} or self._precision not in PRECISIONS:
            raise SoakdError(f"library is {' or '.join(LIBRARIES)}; precision is {' or '.join(PRECISIONS)}")

    def build(self, target: InstructionClass) -> ProductsProgram:  # noqa: ARG002 - a class of processors means nothing
        """Load the array library. Raises WorkloadError where there is none."""
        return ProductsProgram(library(self._library, tensor=self._precision == "tensor"), self._precision)


class ProductsProgram:
    """The library, loaded in the parent; devices are opened by the workers, for no context survives a fork."""

    digests: Mapping[str, str] = MappingProxyType({})
    """Nothing is compiled here; soakd adds the digest of these files."""

    def __init__(self, arrays: Library, precision: str) -> None:
        self._arrays = arrays
        self._precision = precision

    def selfcheck(self) -> None:
        """The closed form against plain integer products, on the processor."""
        random = np.random.default_rng(1)
        multiplier = Multiplier(random, _KNOWN_SIZE)
        start = random.integers(-HALF, HALF + 1, (_KNOWN_SIZE, _KNOWN_SIZE)).astype(np.int8)
        state = start.astype(np.int64)
        for _ in range(_KNOWN_STEPS):
            state = signed(state @ multiplier.whole())
        wrong = multiplier.wrong_rows(start, _KNOWN_STEPS, state.astype(np.int8))
        found = [
            *faults(multiplier.after(start, _KNOWN_STEPS), state.astype(np.int8))[1],
            *(Fault(where=f"row {row}", expected=0, actual=1) for row in wrong.tolist()),
        ]
        refuse_at_rest("closed form", found)

    def gather(self, workers: int) -> None:
        """Workers share nothing but, where there are more of them, a device."""

    def task(self, *, memory_bytes: int, beat: Beat, seat: int = 0) -> ProductsTask:  # noqa: ARG002
        """Each worker takes the next device. Raises WorkloadError where there is none."""
        count = self._arrays.count()
        if not count:
            raise WorkloadError(f"{self._arrays.name} sees no accelerator here")
        beat()
        shown = self._arrays.open(seat % count)
        beat()
        note = f"{shown}, {self._arrays.name}, {self._precision}"
        task = ProductsTask(self._arrays, SIZE, note)
        task.warm_up(beat)
        return task


class ProductsTask:
    """One worker's matrices on one device."""

    def __init__(self, arrays: Library, size: int, note: str) -> None:
        self.note = note
        self._arrays = arrays
        self._random = np.random.default_rng()
        self._multiplier = Multiplier(self._random, size)
        self._whole = self._multiplier.whole().astype(np.float32)
        self._matrix, self._copy = arrays.put(self._whole), arrays.put(self._whole)
        self._pace = Pace(steps_per_s=100.0)
        self._state: Any = None
        self._uneven: Any = None

    def warm_up(self, beat: Beat) -> None:
        """Everything that a round does, once: libraries compile for the device at the first use, for seconds."""
        for part in (self._load, lambda: self.advance(1), lambda: self._invert(Flip(bit=0)), self._changed):
            part()
            beat()

    def advance(self, steps: int) -> int:
        """Products one after another, up to the last one's end."""
        for _ in range(steps):
            self._state, uneven = self._arrays.step(self._state, self._matrix)
            self._uneven = uneven if self._uneven is None else self._uneven + uneven
        self._arrays.finish()
        return steps

    def round(self, target_s: float, beat: Beat, flip: Flip | None = None, gate: Gate = OPEN) -> Round:
        """About `target_s` of products from a new X, all of them checked; `flip` is a fault that has to be found."""
        start = self._load()
        beat()
        steps, work_s = fill(target_s, self._pace, self.advance, beat, lambda: self._invert(flip), gate)
        begun_s = perf_counter()
        count, found = self._checked(start, steps)
        return Round(
            operations=steps * 2 * self._whole.shape[0] ** 3,
            work_s=work_s,
            check_s=perf_counter() - begun_s,
            fault_count=count,
            faults=tuple(found[:FAULTS_KEPT]),
        )

    def _load(self) -> NDArray[np.int8]:
        """A new X."""
        drawn = np.frombuffer(self._random.bytes(self._whole.size), np.uint8)
        start = _RESIDUE_OF_BYTE[drawn].reshape(self._whole.shape)
        self._state, self._uneven = self._arrays.put(start), None
        return start

    def _checked(self, start: NDArray[np.int8], steps: int) -> tuple[int, list[Fault]]:
        state = self._arrays.get(self._state)
        rows = self._multiplier.wrong_rows(start, steps, state)
        count, found = faults(self._multiplier.after(start[rows], steps), state[rows], rows)
        uneven = 0 if self._uneven is None else int(self._uneven)
        if uneven:
            found.insert(0, Fault(where="products that are no whole numbers", expected=0, actual=uneven))
        changed = self._changed()
        if changed:
            found.insert(0, Fault(where="elements of M that have changed", expected=0, actual=changed))
            self._matrix, self._copy = self._arrays.put(self._whole), self._arrays.put(self._whole)
        return count + bool(uneven) + bool(changed), found

    def _changed(self) -> int:
        """Elements in which M and its copy on the device differ."""
        return int((self._matrix != self._copy).sum())

    def _invert(self, flip: Flip | None) -> None:
        if flip is not None:
            place, bit = divmod(flip.bit % (8 * self._whole.size), 8)
            self._state.reshape(-1)[place] ^= -128 if bit == 7 else 1 << bit


def faults(
    expected: NDArray[np.int8], actual: NDArray[np.int8], rows: NDArray[np.intp] | None = None
) -> tuple[int, list[Fault]]:
    """How many elements are wrong, and the first of them as patterns of 8 bits; `rows`: the numbers of the rows."""
    wrong = np.argwhere(expected != actual)
    return len(wrong), [
        Fault(
            where=f"row {row if rows is None else int(rows[row])}, column {column}",
            expected=int(expected[row, column]) & 0xFF,
            actual=int(actual[row, column]) & 0xFF,
        )
        for row, column in wrong[:FAULTS_KEPT].tolist()
    ]
