"""Runs sweep kernels over stretches of a share, and turns what kernels noted into faults."""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING

from soakd.workloads.base import FAULTS_KEPT, Fault
from soakd.workloads.blocks import block_type
from soakd.workloads.memory import pieces, sweep
from soakd.workloads.memory.pieces import WORD_BYTES

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from soakd.workloads.classes import InstructionClass
    from soakd.workloads.ir import Kernel
    from soakd.workloads.memory.march import Background
    from soakd.workloads.memory.places import Places


class Parameters:
    """The parameter block of a kernel that verifies groups of words."""

    def __init__(self, group_words: int) -> None:
        self._group_words = group_words
        self.words = block_type(pieces.parameter_words(group_words))()
        self.address = ctypes.addressof(self.words)

    def grounds(self, first: int, read: Background, write: Background) -> None:
        """Set the backgrounds as they stand at word `first`, and forget earlier faults."""
        words = self.words
        words[pieces.READ_PRODUCT : pieces.READ_MASK + 1] = [read.product(first), read.factor, read.mask]
        words[pieces.WRITE_PRODUCT : pieces.WRITE_MASK + 1] = [write.product(first), write.factor, write.mask]
        words[pieces.FAULT_GROUPS] = 0

    def noted(self) -> list[tuple[int, list[tuple[int, list[int]]]]]:
        """Return the groups kept: number, and each word as read with its later readings."""
        groups, size = [], self._group_words
        for slot in range(min(self.words[pieces.FAULT_GROUPS], FAULTS_KEPT)):
            at = pieces.SLOTS + slot * pieces.slot_words(size)
            number, *data = self.words[at : at + pieces.slot_words(size)]
            groups.append((number, [(data[i], data[size + i :: size]) for i in range(size)]))
        return groups

    def faults(
        self, places: Places, place_of: Callable[[int, int], int], expected: Callable[[int, int], int]
    ) -> tuple[int, list[Fault]]:
        """How many words were wrong (at least; a group beyond those kept counts as one) and the faults kept.

        `place_of` and `expected` turn a group's number and a word of it into its place in the share, in words, and
        into what it should be.
        """
        faults: list[Fault] = []
        for number, group in self.noted():
            wrong = [
                places.fault(place_of(number, i) * WORD_BYTES, expected(number, i), word, again)
                for i, (word, again) in enumerate(group)
                if word != expected(number, i)
            ]
            faults += wrong or [places.false_alarm(place_of(number, 0) * WORD_BYTES)]
        return len(faults) + max(self.words[pieces.FAULT_GROUPS] - FAULTS_KEPT, 0), faults


class Sweeper:
    """Runs sweep kernels over stretches of one share."""

    def __init__(self, kernels: Mapping[str, Kernel], target: InstructionClass, address: int, places: Places) -> None:
        self._kernels = kernels
        self._group_words = sweep.group_words(target)
        self._address = address
        self._places = places
        self._parameters = Parameters(self._group_words)

    def run(
        self, kernel: str, begin: int, end: int, read: Background, write: Background, *, moved: int = 0
    ) -> tuple[int, list[Fault]]:
        """Sweep words begin..end (whole groups), in the kernel's own direction.

        `moved`: how far the words to be read were moved up from the place whose background they hold.  Returns how many
        words were wrong (at least) and the faults kept.
        """
        descends = kernel in sweep.DESCENDING
        step = -self._group_words if descends else self._group_words
        first = end - self._group_words if descends else begin
        self._parameters.words[pieces.BASE] = self._address + first * WORD_BYTES
        self._parameters.grounds(first, read, write)
        if moved:
            self._parameters.words[pieces.READ_PRODUCT] = read.product(first - moved)
        self._kernels[kernel](self._parameters.address, (end - begin) // self._group_words)
        return self._parameters.faults(
            self._places,
            lambda number, i: first + number * step + i,
            lambda number, i: read.word(first - moved + number * step + i),
        )
