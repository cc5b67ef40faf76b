"""Numbers drawn from a seed, each known directly by what it is for: the same bench on every machine."""

from __future__ import annotations

import math

from soakd.splitmix import split_mix


class Draws:
    """Independent streams of one seed, told apart by numbers."""

    def __init__(self, seed: int, *stream: int) -> None:
        for number in stream:
            seed = split_mix(seed, number)
        self._seed = seed

    def stream(self, number: int) -> Draws:
        """Another one, told apart from this one and from its other streams."""
        return Draws(self._seed, number)

    def word(self, index: int) -> int:
        """64 bits."""
        return split_mix(self._seed, index)

    def uniform(self, index: int) -> float:
        """Above 0, below 1."""
        return ((self.word(index) >> 11) + 0.5) / 2**53

    def exponential(self, index: int) -> float:
        """Mean 1."""
        return -math.log(self.uniform(index))

    def normal(self, index: int) -> float:
        """Mean 0, standard deviation 1 (G. Box, M. Muller, 1958; from memory)."""
        radius = math.sqrt(-2.0 * math.log(self.uniform(2 * index)))
        return radius * math.cos(2.0 * math.pi * self.uniform(2 * index + 1))
