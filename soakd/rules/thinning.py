"""A long series in few equal parts of time, each with its lowest, its mean and its highest value: no peak is lost."""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from array import array
    from collections.abc import Iterator, Sequence


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinned:
    """One entry for each part; None where nothing was read in it."""

    low: list[float | None]
    mean: list[float | None]
    high: list[float | None]


def places(at_s: Sequence[float], ended_s: float, parts: int) -> list[int]:
    """Where each part of the time from 0 to `ended_s` begins among these moments; one more for the end of the last."""
    inner = (bisect_left(at_s, ended_s * part / parts) for part in range(1, parts))
    return [0, *inner, len(at_s)]


def thinned(values: array[float], begins: Sequence[int]) -> Thinned:
    """`begins` as `places` gives it; NaN is no reading."""
    rows = list(_rows(values, begins))
    return Thinned(low=[row[0] for row in rows], mean=[row[1] for row in rows], high=[row[2] for row in rows])


def together(series: Sequence[Thinned]) -> Thinned:
    """The lowest of all, the highest of all, and the mean of their means."""
    return Thinned(
        low=[min(known, default=None) for known in _known(each.low for each in series)],
        mean=[sum(known) / len(known) if known else None for known in _known(each.mean for each in series)],
        high=[max(known, default=None) for known in _known(each.high for each in series)],
    )


def _rows(values: array[float], begins: Sequence[int]) -> Iterator[tuple[float | None, float | None, float | None]]:
    for begin, end in itertools.pairwise(begins):
        part: Sequence[float] = values[begin:end]
        total = sum(part)
        if math.isnan(total):
            part = [value for value in part if not math.isnan(value)]
            total = sum(part)
        yield (min(part), total / len(part), max(part)) if part else (None, None, None)


def _known(lists: Iterator[list[float | None]]) -> Iterator[list[float]]:
    for row in zip(*lists, strict=True):
        yield [value for value in row if value is not None]
